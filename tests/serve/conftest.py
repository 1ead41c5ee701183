"""A small lab with a page: made once for a module, asked through the same program that listens."""

from __future__ import annotations

import shutil

import pytest
from lab_page import Page, box_stl, open_page

from calib.shop.template import shop_text
from calib.workflow.init import make_ready


@pytest.fixture(scope="session")
def lab_once(tmp_path_factory):
    folder = tmp_path_factory.mktemp("served")
    text = shop_text("Europe/London").replace("draws = 5000", "draws = 500")
    (folder / "shop.toml").write_text(text, encoding="utf-8")
    (folder / "parts").mkdir()
    (folder / "parts" / "known.stl").write_bytes(box_stl())
    make_ready(folder)
    return folder


@pytest.fixture(scope="module")
def page(lab_once, tmp_path_factory):
    folder = tmp_path_factory.mktemp("page") / "lab"
    shutil.copytree(lab_once, folder)
    site, client = open_page(folder)
    with client:
        yield Page(folder, site, client)
