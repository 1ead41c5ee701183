"""``calib demo``"""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from calib.cli.answer import Answer
from calib.cli.options import AsJson, progress_on_stderr, show_now


def demo(
    folder: Annotated[Path, typer.Argument(metavar="DIR", help="New folder for the invented lab.")] = Path("demo"),
    json: AsJson = False,
) -> Answer:
    """Show the whole job on the invented lab of a maker of river gauges.

    Makes a shop with half a year of logs, imports and learns from them, quotes one part on three processes, shows
    which stage drifts and writes the week's page. The logs stay in DIR/logs, what was planted in them in
    DIR/truth.json.

    Example: calib demo river-lab
    """
    from calib.workflow.demo import run_demo, with_page

    answers = run_demo(folder, progress_on_stderr())
    if not json:
        show_now(Answer("demo_answers", answers))
    return Answer("demo_page", with_page(folder, answers, progress_on_stderr()))
