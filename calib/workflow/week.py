"""Monday's whole job in one call: logs in, learn, look for drift, write the page."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path

from calib.documents.logs import ImportDocument, Step
from calib.documents.week import Learned, WeekDocument
from calib.errors import CalibError, TooFewRunsError
from calib.progress import Progress, no_progress
from calib.shop.read_shop import read_shop
from calib.workflow.alone import alone_in
from calib.workflow.fit import fit_and_look
from calib.workflow.import_logs import at_shop, import_logs
from calib.workflow.pages import check_folder
from calib.workflow.report import write_report
from calib.workflow.review import find_questions

LOCK_NAME = "week.lock"


def run_week(
    folder: Path,
    paths: list[Path],
    out: Path,
    mappings: Sequence[Path] = (),
    progress: Progress = no_progress,
    overwrite: bool = False,
) -> WeekDocument:
    """Import, fit and report; what of it came to be, and whether anything asks for a person.

    Where too little is logged to learn from, what was imported stays. Raises StoreError where another run of it is at work in this shop, UsageError where the page
    could not be written: both before anything is changed.
    """
    read_shop(folder)  # before the lock: no file is left where no shop is
    check_folder(out)
    with alone_in(folder, LOCK_NAME, "Another weekly run is at work"):
        imported = import_logs(folder, paths, mappings=mappings, progress=progress, copy_first="week")
        with logs_are_stored():
            learned = _learned(folder, out, overwrite, imported, progress)
            steps = _next_steps(folder, imported)
    return {
        "import": imported,
        "newly_set_aside": imported["newly_set_aside"],
        "newly_held": sum(file["rows_held"] for file in imported["files"]),
        "next_steps": steps,
        **learned,
    }


def _next_steps(folder: Path, imported: ImportDocument) -> list[Step]:
    """What the import says and is not done yet; whether there are questions, the fit says too."""
    done = ("calib fit", "calib review")
    steps = [step for step in imported["next_steps"] if not step["command"].startswith(done)]
    if find_questions(folder)["questions"]:
        steps.append({"command": f"calib review{at_shop(folder)}", "for": "answer the questions"})
    return steps


def _learned(folder: Path, out: Path, overwrite: bool, imported: ImportDocument, progress: Progress) -> Learned:
    try:
        fitted, drift = fit_and_look(folder, progress=progress)
        page = write_report(folder, out, progress=progress, overwrite=overwrite, drift=drift)
    except TooFewRunsError as error:
        return {"fit": None, "report": None, "why_not": str(error), "quiet": False}
    unread = [file for file in imported["files"] if file.get("error")]
    unsure = [promise for promise in page["open_promises"]["promises"] if promise["state"] != "sure"]
    moved = [*page["drifting"], *page["erratic"], *page["below_floor"]]
    quiet = not (unread or imported["newly_set_aside"] or moved or page["warnings"] or unsure)
    return {"fit": fitted, "report": page, "why_not": None, "quiet": quiet}


@contextmanager
def logs_are_stored() -> Iterator[None]:
    """What goes wrong after the import is reported with what was done before it.

    Raises the same CalibError with that sentence.
    """
    try:
        yield
    except CalibError as error:
        stored = "Before that the logs were stored: run this again for the rest."
        raise type(error)(error.message, f"{error.hint} {stored}".lstrip()) from error
