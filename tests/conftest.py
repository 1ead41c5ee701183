"""For all tests: readers of foreign formats run in the test's own process, since by the thousand children would take
hours; and output goes to a file, as wide as its lines are, unless a test names the columns of a terminal.
"""

from __future__ import annotations

import contextlib
import importlib
from collections import Counter

import pytest
from hypothesis import settings

from calib.store import open_store

settings.register_profile("calib", deadline=None)  # a busy machine is no fault of the code
settings.load_profile("calib")

collect_ignore_glob = ["conftest.py", "*/conftest.py"]  # as modules of doctests they would meet each other
READERS = ("calib.geometry.read_mesh", "calib.logs.read_table", "calib.store.log_files", "calib.workflow.ask")


def pytest_collection_modifyitems(items):
    """Files with the most slow tests begin: at the end no worker is left alone with a long one."""
    slow = Counter(item.path for item in items if item.get_closest_marker("slow"))
    items.sort(key=lambda item: -slow[item.path])


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


@pytest.fixture(autouse=True, scope="session")
def copied_stores(tmp_path_factory):
    """A new store is a copy of one that was made by the migrations once: making each anew took a tenth of all tests."""
    first = tmp_path_factory.mktemp("first")
    with open_store.open_store(first, create=True):
        pass
    made, bring_up = (first / open_store.STORE_NAME).read_bytes(), open_store._make_current

    def copy(path, wait_s):
        if path.parent.is_dir() and not path.exists():
            with contextlib.suppress(OSError):  # then the engine says why
                path.write_bytes(made)
                return
        bring_up(path, wait_s)

    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(open_store, "_make_current", copy)
        yield
