"""For all tests: readers of foreign formats run in the test's own process, since by the thousand children would take
hours; and output goes to a file, as wide as its lines are, unless a test names the columns of a terminal.
"""

from __future__ import annotations

import importlib

import pytest
from hypothesis import settings

settings.register_profile("calib", deadline=None)  # a busy machine is no fault of the code
settings.load_profile("calib")

collect_ignore = ["conftest.py"]  # as a module of doctests it would meet those of the folders
READERS = ("calib.geometry.read_mesh", "calib.logs.read_table", "calib.store.log_files", "calib.workflow.ask")


def in_this_process(function, *arguments, **_):
    return function(*arguments)


@pytest.fixture(autouse=True, scope="module")
def no_children(request):
    """Where the module does not say ``REAL_CHILDREN = True``."""
    if getattr(request.module, "REAL_CHILDREN", False):
        yield
        return
    with pytest.MonkeyPatch.context() as patch:
        for name in READERS:
            patch.setattr(importlib.import_module(name), "in_child", in_this_process)
        yield


@pytest.fixture(autouse=True)
def no_terminal(monkeypatch):
    monkeypatch.delenv("COLUMNS", raising=False)  # in a worker of a parallel run it is 80
