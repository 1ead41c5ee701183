"""The work of one site: what any engine calls. It ends in one row of what became of it, never in an error of the user's."""

from __future__ import annotations

import json
import shutil
import time
from dataclasses import asdict, dataclass, replace
from pathlib import Path
from typing import Any

import pandas as pd

from calib import __version__
from calib.documents.drift import DriftDocument
from calib.errors import CalibError, DamagedStoreError, StoreError, TooFewRunsError
from calib.report.sentences import below_floor_sentence
from calib.results import digest_of, written_beside
from calib.workflow.backtest import backtest_shop
from calib.workflow.company import load_site, site_effects, write_rows
from calib.workflow.drift import find_drift
from calib.workflow.fit import fit_and_look

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
        """A file beside the store that says what the result was made of."""
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
        state, says, runs = _do(task)
    except CalibError as error:
        state, says, runs = LEFT_OUT, str(error).removeprefix(f"Site {task.site}: "), 0
    except OSError as error:
        says = f"{error.filename or task.folder} cannot be read or written: {error.strerror or error}. {NEXT_NIGHT}"
        state, runs = LEFT_OUT, 0
    except Exception as error:  # a fault of calib in one site's rows must not cost the others their night
        state, says, runs = LEFT_OUT, f"A fault of calib: {type(error).__name__}: {str(error)[:200]}", 0
    return Outcome(task.site, state, says, runs, round(time.perf_counter() - start, 3), _peak_mb())


NEXT_NIGHT = "Free some space, or allow it there; its last results stay, and the next night tries again."


def _do(task: Task) -> tuple[str, str, int]:
    """A store here that is damaged or gone is made anew: all of it came from what the site sent."""
    try:
        return WORK_OF[task.what](task)
    except DamagedStoreError as error:
        shutil.rmtree(task.folder)
        if task.what != "fit":
            raise StoreError(f"{WORK}/{task.site}: {error.message}", "calib sites fit makes it anew.") from None
        state, says, runs = _fit(task)
        return state, f"{WORK}/{task.site}: {error.message} It was made anew. {says}".strip(), runs


def _fit(task: Task) -> tuple[str, str, int]:
    sent, _, strange = load_site(Path(task.company), task.site, task.folder)
    made_of = f"{sent.digest} {__version__}"
    if _kept(task).get("made_of") == made_of:
        return UNCHANGED, " ".join(strange), sent.rows
    document, charts = fit_and_look(task.folder)
    rows = pd.DataFrame(document["cells"]).assign(site=task.site, as_of=document["as_of"])
    write_rows(effects_of(Path(task.company), task.site), site_effects(task.folder).assign(site=task.site))
    if charts is not None:
        _keep_charts(replace(task, what="drift"), charts, made_of)
    _keep(task, rows, {"made_of": made_of})
    fresh = [run for run in document["below_floor"] if run["new"]]
    return DONE, " ".join([*strange, *map(below_floor_sentence, fresh)]), int(document["runs_used"])


def _drift(task: Task) -> tuple[str, str, int]:
    """Each fit has looked at the charts too: they are drawn here only where those of the last one are not there."""
    _refuse_not_learned(task)
    kept, learned = _kept(task), _kept(replace(task, what="fit"))
    if not kept or kept["made_of"] != learned.get("made_of"):
        kept = _keep_charts(task, find_drift(task.folder), str(learned.get("made_of")))
    return DONE, kept["says"], kept["runs"]


def _keep_charts(task: Task, document: DriftDocument, made_of: str) -> dict[str, Any]:
    rows = _chart_rows(task, document)
    says = " ".join(map(below_floor_sentence, document["below_floor"]))
    kept = {"made_of": made_of, "says": says, "runs": int(rows["runs"].sum())}
    _keep(task, rows, kept)
    return kept


def _chart_rows(task: Task, document: DriftDocument) -> pd.DataFrame:
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
    return rows.assign(**numbers, since=rows["since"].astype(object), site=task.site, as_of=str(document["as_of"]))


def _backtest(task: Task) -> tuple[str, str, int]:
    _refuse_not_learned(task)
    document = backtest_shop(task.folder, weeks=task.weeks)
    rows = pd.json_normalize({key: value for key, value in document.items() if not isinstance(value, list)}, sep="_")
    _keep(task, rows.assign(site=task.site), {})
    return DONE, "", document["predictions"]


def _refuse_not_learned(task: Task) -> None:
    if not task.folder.is_dir():
        raise TooFewRunsError(f"Nothing was learned from {task.site} yet.", "Run: calib sites fit DIR")


WORK_OF = {"fit": _fit, "drift": _drift, "backtest": _backtest}


def _kept(task: Task) -> dict[str, Any]:
    """What was noted beside the result; nothing where a result or the note is missing, not whole, or of another time."""
    try:
        kept = json.loads(task.stamp.read_text(encoding="utf-8"))
    except (OSError, ValueError):
        return {}
    return kept if isinstance(kept, dict) and kept.get("files") == _digests(task) else {}


def _keep(task: Task, rows: pd.DataFrame, noted: dict[str, Any]) -> None:
    write_rows(task.result, rows)
    if noted:
        with written_beside(task.stamp) as beside:
            beside.write_text(json.dumps(noted | {"files": _digests(task)}), encoding="utf-8")


def _digests(task: Task) -> list[str]:
    """Of what the task has left, a fit's effects among it; '' for what is not there."""
    paths = [task.result, *([effects_of(Path(task.company), task.site)] if task.what == "fit" else [])]
    return [digest_of(path) if path.is_file() else "" for path in paths]


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
