"""Which commands there are, in the order in which help lists them."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import typer

from calib.cli import (
    backtest,
    compare,
    demo,
    drift,
    fit,
    import_,
    init,
    keeping,
    measure,
    predict,
    quote,
    report,
)

IN_ORDER: dict[str, Callable[..., Any]] = {
    "demo": demo.demo,
    "init": init.init,
    "import": import_.import_,
    "fit": fit.fit,
    "quote": quote.quote,
    "compare": compare.compare,
    "predict": predict.predict,
    "drift": drift.drift,
    "report": report.report,
    "backtest": backtest.backtest,
    "measure": measure.measure,
    "rejects": keeping.rejects,
    "backup": keeping.backup,
    "restore": keeping.restore,
}


def register(app: typer.Typer) -> None:
    for name, function in IN_ORDER.items():
        first_line = (function.__doc__ or "").strip().split("\n")[0]
        app.command(name, short_help=first_line)(function)
