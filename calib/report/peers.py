"""Other models on the lab's own runs, in words: who is best here, by how much, and whether that is noise."""

from __future__ import annotations

from datetime import date
from typing import Any

from calib.documents.model import PeersDocument
from calib.report.units import count, day, share

FEWEST_WEEKS = 10  # that say whether a difference is noise: of fewer a standard error is itself too unsure; our choice
SURE = 2.26  # standard errors: Student's 97.5 % point with the nine degrees of freedom of FEWEST_WEEKS
QUARTER_DAYS = 92
COMMAND = "calib backtest --peers"
MEASURE = "error of all ranges"  # the backtest's other score is that of the 80 % range alone
EXPLAINED = "Error of all ranges: mean over nine points of each range, on log minutes; lower is better."


def peers_sentence(peers: PeersDocument) -> str:
    """Who is best on these runs, by how much, and whether that is noise.

    >>> ours = {"name": "calib", "score": 0.1, "held": 0.8, "seconds": 1.0, "behind_pct": 0.0, "noise_pct": 0.0}
    >>> other = {"name": "plan alone", "score": 0.2, "held": 0.9, "seconds": 1.0, "behind_pct": 100.0, "noise_pct": 5.0}
    >>> peers_sentence({"as_of": "2026-03-01", "weeks": 20, "weeks_between": 4, "models": [ours, other]})
    'calib is best here, 100 per cent ahead of plan alone: more than noise. Other models learned anew every 4 weeks, calib every week.'
    """
    ours, *others = peers["models"]
    best = min(others, key=lambda model: model["score"])
    by = best["behind_pct"]
    first, second = (ours, best) if by >= 0 else (best, ours)
    often = f" Other models learned anew every {peers['weeks_between']} weeks, {ours['name']} every week."
    return (
        f"{first['name']} is best here, {abs(by):.0f} per cent ahead of {second['name']}: {_verdict(peers, by, best['noise_pct'])}."
        + (often if peers["weeks_between"] > 1 else "")
    )


def _verdict(peers: PeersDocument, by: float, noise: float | None) -> str:
    if peers["weeks"] < FEWEST_WEEKS or noise is None:
        return f"too few weeks to tell whether that is noise ({peers['weeks']}, {FEWEST_WEEKS} are needed)"
    return "more than noise" if abs(by) > SURE * noise else "no more than noise"


def peers_rows(peers: PeersDocument) -> list[list[str]]:
    """Model, its error of all ranges, share held of 80 %, and seconds; the best first."""
    return [
        [model["name"], f"{model['score']:.3f}", share(model["held"]), f"{model['seconds']:.0f} s"]
        for model in sorted(peers["models"], key=lambda model: model["score"])
    ]


def peers_view(peers: PeersDocument | None, today: str) -> dict[str, Any]:
    """The week's page: the last comparison where it is of this quarter, else what to run.

    peers : the last comparison, None where there was none; today : day of the page
    """
    if peers is None:
        return {"ask": f"Other models were never tried on this lab's runs. Once a quarter run: {COMMAND}"}
    if (date.fromisoformat(today) - date.fromisoformat(peers["as_of"])).days > QUARTER_DAYS:
        return {
            "ask": f"Other models were last tried on the logs up to {day(peers['as_of'])}. Once a quarter run: {COMMAND}"
        }
    return {
        "ask": "",
        "told": f"{peers_sentence(peers)} Logs up to {day(peers['as_of'])}, {count(peers['weeks'], 'week')}.",
        "measure": MEASURE,
        "explained": EXPLAINED,
        "rows": peers_rows(peers),
    }
