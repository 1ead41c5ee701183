"""A small lab with logs, made once and copied for each test; and calling calib in it."""

from __future__ import annotations

import json
import shutil

import pytest

from calib.cli.app import run
from calib.shop.template import shop_text

BUILDS = "build_id,process,machine,parts,order_id\nB1,SLA,vpp1,3,O1\nB2,SLA,vpp1,2,O2\n"
STAGES = (
    "build_id,stage,started_at,ended_at,station,operator,note\n"
    "B1,printing,2026-01-05T08:00,2026-01-05T12:00,vpp1,,\n"
    "B1,unloading,2026-01-05T12:10,2026-01-05T12:30,vpp1,Ada Quill,Ada was quick\n"
    "B1,support_removal,2026-01-05T18:00,2026-01-06T17:00,bench,Ben Reed,\n"
    "B1,packing,2026-01-06T17:10,2026-01-07T17:20,bench,Ada Quill,\n"
    "B2,printng,2026-01-06T08:00,2026-01-06T12:00,vpp1,,\n"
)


@pytest.fixture(scope="session")
def lab_once(tmp_path_factory):
    folder = tmp_path_factory.mktemp("lab")
    (folder / "shop.toml").write_text(shop_text("Europe/London"), encoding="utf-8")
    (folder / "logs").mkdir()
    (folder / "logs" / "builds.csv").write_text(BUILDS, encoding="utf-8")
    (folder / "logs" / "stages.csv").write_text(STAGES, encoding="utf-8")
    assert run(["import", str(folder / "logs"), "--shop", str(folder)]) == 0
    return folder


@pytest.fixture
def lab(lab_once, tmp_path, monkeypatch):
    """The lab's folder, which is the current folder too."""
    folder = tmp_path / "lab"
    shutil.copytree(lab_once, folder)
    monkeypatch.chdir(folder)
    monkeypatch.delenv("CALIB_SHOP", raising=False)
    return folder


@pytest.fixture
def calib(capsys):
    """Calls calib with one line; returns status, standard output, standard error."""

    def call(line, *more):
        capsys.readouterr()
        status = run([*line.split(), *more])
        captured = capsys.readouterr()
        return status, captured.out, captured.err

    return call


@pytest.fixture
def document(calib):
    """Calls calib with --json; returns the document of a call that went well."""

    def call(line, *more):
        status, out, err = calib(line, *more, "--json")
        assert status == 0, out + err
        return json.loads(out)

    return call
