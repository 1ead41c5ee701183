"""``calib serve`` before it listens: a port that is taken, a folder that is no shop; and how it says where it is."""

from __future__ import annotations

import json
import socket

import pytest

from calib.cli import serve as command
from calib.serve.run import Opened


@pytest.fixture
def taken_port():
    with socket.socket() as taken:
        taken.bind(("127.0.0.1", 0))
        taken.listen()
        yield taken.getsockname()[1]


def test_a_port_that_is_taken_names_a_free_one(lab, calib, taken_port):
    status, out, err = calib(f"serve --port {taken_port}")
    assert (status, out) == (2, "")
    assert f"Port {taken_port} cannot be used" in err
    assert "is free" in err


def test_a_folder_that_is_no_shop_is_a_sentence(tmp_path, calib):
    status, _, err = calib("serve", "--shop", str(tmp_path))
    assert status == 2
    assert "calib init" in err


@pytest.mark.parametrize("port", ["0", "70000", "x"])
def test_a_port_that_is_none_is_a_sentence(lab, calib, port):
    status, _, err = calib(f"serve --port {port}")
    assert status == 2
    assert "whole number from 1 to 65535" in err


def test_where_it_is_open_is_said_to_people_and_programs(capsys):
    command._say(Opened("http://127.0.0.1:8520/", {}), False)
    assert capsys.readouterr().out.startswith("Open http://127.0.0.1:8520/ in a browser")
    links = {"ask": "http://192.0.2.7:8520/in/word", "bench": "http://192.0.2.7:8520/in/else"}
    command._say(Opened("http://192.0.2.7:8520/", links), True)
    assert json.loads(capsys.readouterr().out) == {"address": "http://192.0.2.7:8520/", "links": links}
    command._say(Opened("http://192.0.2.7:8520/", links), False)
    shown = capsys.readouterr().out
    assert all(link in shown for link in links.values())
    assert any(block in shown for block in "▀▄█")
