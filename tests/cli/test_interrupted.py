"""Ctrl-C ends a command with a sentence and status 130."""

from __future__ import annotations

import sys

import pytest

from calib.__main__ import main
from calib.workflow import keeping


@pytest.mark.parametrize("more", [[], ["--json"]])
def test_an_interrupt_is_a_sentence_and_status_130(lab, calib, monkeypatch, more):
    def interrupt(*args):
        raise KeyboardInterrupt

    monkeypatch.setattr(keeping, "check_shop", interrupt)
    assert calib("check", *more) == (130, "", "Interrupted; nothing was left half-done.\n")


def test_an_interrupt_while_modules_load_is_the_same_sentence(monkeypatch, capsys):
    class Interrupted:
        @staticmethod
        def find_spec(name, path=None, target=None):
            if name == "calib.cli.app":
                raise KeyboardInterrupt

    monkeypatch.delitem(sys.modules, "calib.cli.app")
    monkeypatch.setattr(sys, "meta_path", [Interrupted, *sys.meta_path])
    with pytest.raises(SystemExit) as ended:
        main()
    assert (ended.value.code, *capsys.readouterr()) == (130, "", "Interrupted; nothing was left half-done.\n")
