"""``calib review``"""

from __future__ import annotations

from typing import Annotated

import typer

from calib.cli.answer import Answer
from calib.cli.options import HERE, AsJson, ShopFolder


def review(
    number: Annotated[
        str | None, typer.Argument(metavar="NUMBER", help="Question to answer, as listed; S1,S4 for several.")
    ] = None,
    right: Annotated[bool, typer.Option("--right", help="It was so: learn from it as it stands.")] = False,
    minutes: Annotated[float | None, typer.Option(metavar="MIN", help="It took so many minutes of work.")] = None,
    leave_out: Annotated[bool, typer.Option("--leave-out", help="Nobody knows: do not learn from it.")] = False,
    finished: Annotated[bool, typer.Option("--finished", help="Of a run that never ended: it was finished.")] = False,
    failed: Annotated[bool, typer.Option("--failed", help="Of a run that never ended: it failed.")] = False,
    not_done: Annotated[bool, typer.Option("--not-done", help="Of a stage that nobody logs: not done here.")] = False,
    not_written: Annotated[
        bool, typer.Option("--not-written", help="Of a stage that nobody logs: done, and not written down.")
    ] = False,
    take_back: Annotated[bool, typer.Option("--undo", help="Take back the answer; it is asked again.")] = False,
    old_take_back: Annotated[bool, typer.Option("--take-back", hidden=True)] = False,
    note: Annotated[str, typer.Option(metavar="TEXT", help="Why; kept with the answer.")] = "",
    everything: Annotated[bool, typer.Option("--all", help="All open questions, not only a week's five.")] = False,
    answered: Annotated[bool, typer.Option("--answered", help="The questions that were answered.")] = False,
    shop: ShopFolder = HERE,
    json: AsJson = False,
) -> Answer:
    """Ask about rows that look wrong, and keep the answers.

    Rows may look wrong as they come in, or to the last fit: those that `calib why` calls likely wrong, such as a
    machine's timer that ran over night, and those that never ended though any like them had. Of a stage that nobody logs
    it is asked once whether it is done: S and a number. At most five questions in seven days, the largest effect first. An answer
    holds for later imports of the same row; the next fit obeys it.

    Example: calib review 12 --minutes 25 --note "the timer was left on"
    """
    from calib.workflow.review import answer_question, find_questions

    if number is None:
        return Answer("review", find_questions(shop, everything=everything, answered=answered))
    answers = {"right": right, "mended": minutes is not None, "wrong": leave_out, "finished": finished, "failed": failed,
            "not done": not_done, "not written down": not_written, "take back": take_back or old_take_back}  # fmt: skip
    return Answer(
        "answer", answer_question(shop, number, [verdict for verdict, is_it in answers.items() if is_it], minutes, note)
    )
