"""Readers of foreign formats run in the test's own process: by the thousand, children would take hours."""

from __future__ import annotations

import importlib
import os

import pytest
from hypothesis import settings

settings.register_profile("calib", deadline=None)  # a busy machine is no fault of the code
settings.load_profile("calib")

collect_ignore = ["conftest.py"]  # as a module of doctests it would meet those of the folders
READERS = ("calib.geometry.read_mesh", "calib.logs.read_table", "calib.store.log_files", "calib.workflow.ask")


# Slow tests that have been seen to pass since the code below them last changed. The others wait for CALIB_LONG=1: a run
# of them all comes first, then this list goes.
SEEN = {
    "test_week_browser.py", "test_week_page.py", "test_quote_sheet_browser.py", "test_bench_card.py", "test_promise.py",
    "test_labs_of_every_shape.py", "test_week_trouble.py", "test_names_of_people.py", "test_first_steps.py",
}  # fmt: skip


def pytest_collection_modifyitems(items):
    if os.environ.get("CALIB_LONG"):
        return
    unseen = pytest.mark.skip(reason="slow, and not seen to its end since the last change: CALIB_LONG=1 runs it")
    for item in items:
        if item.get_closest_marker("slow") and item.path.name not in SEEN:
            item.add_marker(unseen)


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
