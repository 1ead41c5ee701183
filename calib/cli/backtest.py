"""``calib backtest``"""

from __future__ import annotations

from typing import Annotated

import typer

from calib.cli.answer import Answer
from calib.cli.options import HERE, AsJson, ShopFolder, progress_on_stderr


def backtest(
    weeks: Annotated[
        int | None, typer.Option(min=1, metavar="N", help="Score the last N weeks; default: all but the first eight.")
    ] = None,
    jobs: Annotated[
        bool, typer.Option("--jobs", help="Score whole builds and orders too: was the finish inside its range?")
    ] = False,
    peers: Annotated[
        bool, typer.Option("--peers", help="Replay other models on the same runs: who is best here? Takes minutes.")
    ] = False,
    shop: ShopFolder = HERE,
    json: AsJson = False,
) -> Answer:
    """Replay the past week by week, never looking ahead: were the ranges right?

    Example: calib backtest --weeks 12
    """
    from calib.workflow.backtest import backtest_shop

    return Answer("backtest", backtest_shop(shop, weeks=weeks, jobs=jobs, peers=peers, progress=progress_on_stderr()))
