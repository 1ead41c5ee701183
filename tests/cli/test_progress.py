"""A bar for long work on a terminal; nothing for short work, nothing where nobody watches."""

from __future__ import annotations

import io
import time

from rich.console import Console

from calib.cli.progress import Bar, end_progress, start_progress


def drawn(after_s, wait):
    out = io.StringIO()
    bar = Bar(after_s, Console(file=out, force_terminal=True, width=100))
    bar("Reading 1 of 4: june.csv ...")
    until = time.monotonic() + 10
    while wait and bar.shown is None and time.monotonic() < until:
        time.sleep(0.01)
    bar("Reading 2 of 4: july.csv ...")
    bar.close()
    return bar, out.getvalue()


def test_long_work_is_shown_with_how_far_it_is():
    bar, out = drawn(0.0, wait=True)
    assert "Reading 2 of 4: july.csv" in out
    assert bar.shown.tasks[0].percentage == 50


def test_a_step_that_tells_no_share_lets_the_bar_run():
    bar = Bar(0.0, Console(file=io.StringIO(), force_terminal=True, width=100))
    while bar.shown is None:
        time.sleep(0.01)
    for text, total in (("Reading 2 of 4 ...", 4), ("Storing ...", None), ("Reading 1 of 1: large.csv ...", None)):
        bar(text)
        assert bar.shown.tasks[0].total == total
    bar.close()


def test_short_work_shows_nothing():
    assert drawn(60.0, wait=False)[1] == ""


def test_nothing_is_said_where_nobody_watches(capsys):
    start_progress()("Reading 1 of 4 ...")
    end_progress()
    assert capsys.readouterr() == ("", "")
