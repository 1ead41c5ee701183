"""Three labs that have sent their logs to a company, made once and copied for each test."""

from __future__ import annotations

import shutil

import pytest
from made_labs import make_lab

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
