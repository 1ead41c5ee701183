"""The whole job on the invented lab of a maker of river gauges."""

from __future__ import annotations

import shutil
from pathlib import Path
from time import perf_counter

from calib.documents.week import DemoDocument
from calib.errors import UsageError
from calib.locate import shipped_folder
from calib.progress import Progress, no_progress
from calib.store.open_store import open_store
from calib.workflow.fit import fit_and_look
from calib.workflow.import_logs import import_logs
from calib.workflow.order import QuoteAsk
from calib.workflow.quote import quote_quantities

COPIED = ("shop.toml", "logs", "parts", "truth.json", "plan.csv")
PART = "sensor_bracket.stl"
QUANTITIES = (1, 10, 60)
START = "2026-11-23T08:00"  # the Monday after the last log


def run_demo(folder: Path, progress: Progress = no_progress) -> DemoDocument:
    """Make the lab in ``folder``, then import, fit, quote and look for drift; all of the document but its page.

    The page comes after them (``with_page``), so that answers can be read while it is drawn.
    """
    started = perf_counter()
    make_lab(folder)
    imported = import_logs(folder, [folder / "logs"], progress=progress)
    fitted, drift = fit_and_look(folder, progress=progress)
    assert drift is not None, "no day was asked for, so it was looked for"
    quotes = quote_quantities(folder, folder / "parts" / PART, QUANTITIES, QuoteAsk(start=START), progress)
    progress("")
    return {
        "folder": str(folder),
        "part": PART,
        "start": START,
        "import": imported,
        "fit": fitted,
        "quotes": quotes,
        "drift": drift,
        "page": None,
        "seconds": perf_counter() - started,
    }


def with_page(folder: Path, answers: DemoDocument, progress: Progress = no_progress) -> DemoDocument:
    """The document of ``run_demo`` with the week's ``page``, which is written."""
    from calib.workflow.report import write_report  # what draws pages loads while answers are read

    started = perf_counter()
    page = write_report(folder, folder / "pages", progress=progress, drift=answers["drift"])
    return answers | {"page": page["page"], "seconds": round(answers["seconds"] + perf_counter() - started, 1)}


def make_lab(folder: Path) -> None:
    """Copy the invented lab's shop file, logs, parts and planted truth, and make its empty store.

    Raises UsageError where the folder is not empty, or cannot be written.
    """
    source = shipped_folder("demo_logs")
    try:
        folder.mkdir(parents=True, exist_ok=True)
        if any(folder.iterdir()):
            raise UsageError(f"{folder} is not empty.", "Name a new folder: calib demo another-folder")
        for name in COPIED:
            copy = shutil.copytree if (source / name).is_dir() else shutil.copyfile
            copy(source / name, folder / name)
    except OSError as error:
        raise UsageError(f"{folder} cannot be written: {error.strerror}.", "Choose a folder of your own.") from error
    with open_store(folder, create=True):
        pass
