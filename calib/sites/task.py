"""The work of one site: what any engine calls. It ends in one row of what became of it, never in an error of the user's."""

from __future__ import annotations

import time
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Any

import pandas as pd

from calib import __version__
from calib.errors import CalibError
from calib.report.sentences import below_floor_sentence
from calib.workflow.backtest import backtest_shop
from calib.workflow.company import load_site, site_effects, write_rows
from calib.workflow.drift import find_drift
from calib.workflow.fit import fit_shop

WORK, RESULTS = "work", "results"
DONE, UNCHANGED, LEFT_OUT = "done", "unchanged", "left out"
ROWS = "rows.parquet"


@dataclass(frozen=True)
class Task:
    """what : 'fit', 'drift' or 'backtest', of ``site`` in the folder ``company``; weeks : of a backtest, None for all"""

    company: str
    site: str
    what: str
    weeks: int | None = None

    @property
    def folder(self) -> Path:
        """The site's store on the company's side, with its checkpoints."""
        return Path(self.company, WORK, self.site)

    @property
    def result(self) -> Path:
        return Path(self.company, RESULTS, self.what, f"site={self.site}", ROWS)

    @property
    def stamp(self) -> Path:
        """A file that says what the result was made of."""
        return self.folder / f"{self.what}.made-of"


@dataclass(frozen=True)
class Outcome:
    """What became of one site's task.

    state : DONE, UNCHANGED (nothing came since) or LEFT_OUT; says : sentences, '' where there is nothing to say
    runs : learned from, looked at or predicted; peak_mb : most memory of the process that did it, 0 where the system does not say
    """

    site: str
    state: str
    says: str = ""
    runs: int = 0
    seconds: float = 0.0
    peak_mb: float = 0.0


def effects_of(company: Path, site: str) -> Path:
    """What a site's fit says to others."""
    return company / RESULTS / "effects" / f"site={site}" / ROWS


COLUMNS = list(asdict(Outcome("", "")))


def run_task(task: Task) -> Outcome:
    """Do it and keep the result as Parquet, whole or not there; an earlier result stays where it cannot be done."""
    start = time.perf_counter()
    try:
        state, says, runs = WORK_OF[task.what](task)
    except CalibError as error:
        state, says, runs = LEFT_OUT, str(error), 0
    except Exception as error:  # a fault of calib in one site's rows must not cost the others their night
        state, says, runs = LEFT_OUT, f"A fault of calib: {type(error).__name__}: {str(error)[:200]}", 0
    return Outcome(task.site, state, says, runs, round(time.perf_counter() - start, 3), _peak_mb())


def _fit(task: Task) -> tuple[str, str, int]:
    sent, _, strange = load_site(Path(task.company), task.site, task.folder)
    made_of = f"{sent.digest} {__version__}"
    if _is_made_of(task, made_of):
        return UNCHANGED, " ".join(strange), sent.rows
    document = fit_shop(task.folder)
    rows = pd.DataFrame(document["cells"]).assign(site=task.site, as_of=document["as_of"])
    write_rows(effects_of(Path(task.company), task.site), site_effects(task.folder).assign(site=task.site))
    _keep(task, rows, made_of)
    fresh = [run for run in document["below_floor"] if run["new"]]
    return DONE, " ".join([*strange, *map(below_floor_sentence, fresh)]), int(document["runs_used"])


def _drift(task: Task) -> tuple[str, str, int]:
    document = find_drift(task.folder)
    columns = [
        "process",
        "stage",
        "runs",
        "state",
        "since",
        "change_pct",
        "change_pct_low",
        "change_pct_high",
        "minutes_per_build",
    ]
    rows = pd.DataFrame(document["stages"]).reindex(columns=columns)
    numbers = {name: rows[name].astype(float) for name in columns if name.startswith(("change", "minutes"))}
    rows = rows.assign(**numbers, since=rows["since"].astype(object), site=task.site, as_of=str(document["as_of"]))
    _keep(task, rows, "")
    return DONE, " ".join(map(below_floor_sentence, document["below_floor"])), int(rows["runs"].sum())


def _backtest(task: Task) -> tuple[str, str, int]:
    document = backtest_shop(task.folder, weeks=task.weeks)
    rows = pd.json_normalize({key: value for key, value in document.items() if not isinstance(value, list)}, sep="_")
    _keep(task, rows.assign(site=task.site), "")
    return DONE, "", document["predictions"]


WORK_OF = {"fit": _fit, "drift": _drift, "backtest": _backtest}


def _is_made_of(task: Task, made_of: str) -> bool:
    return task.result.exists() and task.stamp.exists() and task.stamp.read_text(encoding="utf-8") == made_of


def _keep(task: Task, rows: pd.DataFrame, made_of: str) -> None:
    task.stamp.unlink(missing_ok=True)
    write_rows(task.result, rows)
    if made_of:
        task.stamp.write_text(made_of, encoding="utf-8")


def _peak_mb() -> float:
    try:
        import resource
    except ImportError:  # not on this system
        return 0.0
    return round(resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024, 1)


def as_frame(outcomes: list[Outcome]) -> pd.DataFrame:
    """One row for each site, in order of their names."""
    rows: list[dict[str, Any]] = [asdict(one) for one in sorted(outcomes, key=lambda one: one.site)]
    return pd.DataFrame(rows, columns=COLUMNS)
