"""Three labs that have sent their logs to a company, made once and copied for each test."""

from __future__ import annotations

import shutil

import pytest
from made_labs import make_lab

from calib.sites.night import run_night
from calib.sites.task import run_task
from calib.workflow.company import send_site


@pytest.fixture(scope="session")
def company_once(tmp_path_factory):
    folder = tmp_path_factory.mktemp("company")
    for seed in (1, 2, 3):
        send_site(make_lab(folder / f"lab{seed}", seed), folder / "all", f"S{seed}")
    return folder


@pytest.fixture
def company(company_once, tmp_path):
    """A folder with lab1 to lab3, and ``all``: what they have sent."""
    shutil.copytree(company_once, tmp_path / "company")
    return tmp_path / "company"


def in_turn(tasks, workers):
    yield from map(run_task, tasks)


@pytest.fixture(scope="session")
def learned_once(company_once, tmp_path_factory):
    """The company after its first night, which ran in this process: processes have tests of their own."""
    folder = tmp_path_factory.mktemp("learned") / "company"
    shutil.copytree(company_once, folder)
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr("calib.sites.night._engine", lambda name: in_turn)
        first = run_night(folder / "all", "fit")
    return folder, first


@pytest.fixture
def learned(learned_once, tmp_path):
    """As ``company``, after its first night."""
    shutil.copytree(learned_once[0], tmp_path / "learned")
    return tmp_path / "learned"


@pytest.fixture
def night(monkeypatch):
    monkeypatch.setattr("calib.sites.night._engine", lambda name: in_turn)
    return run_night
