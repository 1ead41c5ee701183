"""Which commands there are, under which heading, in the order in which help lists them."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from typing import Any

import typer
from typer.core import TyperGroup

from calib.cli import (
    accept,
    backtest,
    capacity,
    compare,
    demo,
    drift,
    fit,
    import_,
    init,
    keeping,
    map_,
    measure,
    pieces,
    predict,
    promises,
    quote,
    quotes,
    report,
    review,
    serve,
    set_aside,
    sites,
    week,
    why,
)
from calib.cli.usage import no_such_command
from calib.errors import UsageError

UNDER_HEADINGS: dict[str, dict[str, Callable[..., Any]]] = {
    "Start": {
        "demo": demo.demo,
        "init": init.init,
        "templates": init.templates,
    },
    "Logs, every week": {
        "week": week.week,
        "import": import_.import_,
        "map": map_.map_,
        "set-aside": set_aside.set_aside,
        "review": review.review,
        "fit": fit.fit,
        "drift": drift.drift,
        "report": report.report,
    },
    "Questions": {
        "quote": quote.quote,
        "compare": compare.compare,
        "capacity": capacity.capacity,
        "pieces": pieces.pieces,
        "predict": predict.predict,
        "backtest": backtest.backtest,
        "why": why.why,
        "measure": measure.measure,
    },
    "The page for everybody": {
        "serve": serve.serve,
    },
    "Many labs of a company": {
        "sites": sites.sites,
    },
    "Promises": {
        "quotes": quotes.quotes,
        "accept": accept.accept,
        "promises": promises.promises,
    },
    "Care of the store": {
        "undo": keeping.undo,
        "check": keeping.check,
        "backup": keeping.backup,
        "restore": keeping.restore,
        "export": keeping.export,
        "forget": keeping.forget,
    },
}
IN_ORDER = {name: function for commands in UNDER_HEADINGS.values() for name, function in commands.items()}
OLD_NAMES = {"rejects": "set-aside"}  # still understood


class UnderHeadings(TyperGroup):
    """The program's help lists commands under headings; an unknown command is answered in our words."""

    def format_commands(self, ctx: Any, formatter: Any) -> None:
        longest = max(map(len, IN_ORDER))
        for heading, commands in UNDER_HEADINGS.items():
            with formatter.section(heading):
                formatter.write_dl([(name.ljust(longest), first_line(function)) for name, function in commands.items()])

    def resolve_command(self, ctx: Any, args: list[str]) -> Any:
        if args[0] not in IN_ORDER and not args[0].startswith("-"):
            raise UsageError(*no_such_command(args[0], IN_ORDER))
        return super().resolve_command(ctx, args)


def first_line(function: Callable[..., Any]) -> str:
    return (function.__doc__ or "").strip().split("\n")[0]


def register(app: typer.Typer, names: Iterable[str]) -> None:
    for name in names:
        app.command(name)(IN_ORDER[name])
