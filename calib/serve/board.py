"""What the bench shows: the lab as last worked out from the store, with every tap since laid over it."""

from __future__ import annotations

import threading
import time
from collections.abc import Mapping
from contextlib import suppress
from datetime import UTC, datetime
from pathlib import Path
from types import MappingProxyType

from calib.documents.bench import BuildStep, BuildUnderWay, RunningRun, UnderWay
from calib.errors import CalibError
from calib.serve.journal import Journal
from calib.serve.line import WaitingLine
from calib.serve.reckoner import Runs
from calib.shop.model import Shop
from calib.shop.read_shop import read_shop
from calib.workflow.bench import find_under_way, is_early, times_of
from calib.workflow.taps import Run, import_taps, logs_of_taps

OLD_S = 60.0  # after so long it is worked out again when somebody looks
REST_S = 5.0  # between two times: taps are kept and shown without it, and wait for what is worked out meanwhile
OWNER = "board"


class Board:
    """view : of ``find_under_way``; None before it was worked out for the first time
    trouble : why taps are not in the store yet, nor what others stored on the page; '' where they are"""

    def __init__(self, folder: Path, line: WaitingLine, run: Runs) -> None:
        self.folder, self.line, self.run, self.journal = folder, line, run, Journal(folder)
        self.view: UnderWay | None = None
        self.trouble = ""
        self._made = 0.0
        self._guard, self._is_due = threading.Lock(), False
        self._imported: Mapping[str, Run] = {}
        self._seen_at = ""
        self._steps: dict[str, dict[str, BuildStep]] = {}

    def work(self) -> str:
        """Import what was tapped and look at the lab again; in the line. Where that cannot be, ``trouble`` says why."""
        try:
            self._work()
        except CalibError as error:
            self.trouble = error.message
            raise
        self.trouble = ""
        return "/bench"

    def _work(self) -> None:
        with self._guard:
            self._is_due = False
        seen_at = datetime.now(UTC).isoformat(timespec="seconds")
        runs = self.journal.runs
        logs = logs_of_taps(runs, self.journal.taps, self._imported, read_shop(self.folder).timezone)
        self.run(import_taps, self.folder, logs)
        self._imported = runs
        self.view, self._made = self.run(find_under_way, self.folder), time.monotonic()
        self._seen_at = seen_at
        self._steps = {
            build["build_id"]: self._steps.get(build["build_id"], {}) | {step["stage"]: step for step in build["steps"]}
            for build in self.view["builds"]
        }

    def refresh(self) -> None:
        """Have that done soon, once for all taps until then."""
        with self._guard:
            if self._is_due:
                return
            self._is_due = True
        rest = threading.Timer(max(0.0, self._made + REST_S - time.monotonic()), self._stand_in_line)
        rest.daemon = True  # what is not imported at the end is at the next start
        rest.start()

    def _stand_in_line(self) -> None:
        with suppress(CalibError, RuntimeError):  # the line is full, or closed: at the next tap, or the next start
            self.line.add(OWNER, self.work)
            return
        self._is_due = False

    def refresh_if_old(self) -> None:
        if time.monotonic() - self._made > OLD_S:
            self.refresh()

    def builds(self, shop: Shop) -> list[BuildUnderWay]:
        return [self._as_tapped(build, shop) for build in (self.view["builds"] if self.view else ())]

    def find_build(self, build_id: str, shop: Shop) -> BuildUnderWay | None:
        shown = self.view["builds"] if self.view else ()
        return next((self._as_tapped(build, shop) for build in shown if build["build_id"] == build_id), None)

    def _as_tapped(self, build: BuildUnderWay, shop: Shop) -> BuildUnderWay:
        name = build["build_id"]
        return with_taps(build, self.journal.runs_of(name), shop, self._seen_at, self._steps.get(name, {}))


def with_taps(
    build: BuildUnderWay,
    runs: list[Run],
    shop: Shop,
    seen_at: str = "",
    earlier: Mapping[str, BuildStep] = MappingProxyType({}),
) -> BuildUnderWay:
    """A build of the view as the taps since have it.

    runs : that name it
    seen_at : when the view was made, UTC; earlier : its steps as an earlier view had them, by stage
    """
    steps, running, attempt = build["steps"], build["running"], build["attempt"]
    has_begun = build["has_begun"]
    for run in sorted(runs, key=lambda own: own.started_at):
        names = {run.key, f"run {run.run_id}", *(f"run {run.key}~{number}" for number in range(1, run.undone + 1))}
        is_shown = running is not None and running["run"] in names
        if is_shown:
            running = None
        place = next((number for number, step in enumerate(steps) if step["stage"] == run.stage), None)
        if (
            place is None and run.is_open and run.changed_at >= seen_at and run.stage in earlier
        ):  # both in whole seconds
            steps, place = [earlier[run.stage], *steps], 0
        if run.outcome == "void" or place is None:
            continue
        has_begun = True
        if run.is_open:
            steps = steps[place:]
            running = _as_running(run, steps[0], shop)
        elif run.outcome == "failed":
            steps, attempt = steps[place:], max(attempt, run.attempt + 1)
        else:
            steps, attempt = steps[place + 1 :], 1
    if running is not None:
        running = {**running, "is_early": is_early(running)}
    return {**build, "steps": steps, "running": running, "attempt": attempt, "has_begun": has_begun}


def _as_running(run: Run, step: BuildStep, shop: Shop) -> RunningRun:
    times = times_of(step, datetime.fromisoformat(run.started_at), shop)
    return {
        "run": run.key, "build_id": run.build_id, "order_id": run.order_id, "stage": run.stage,
        "started_at": run.started_at, "station": run.station, "attempt": run.attempt, "run_id": run.run_id,
        "operator": run.operator, **times, "is_early": is_early(times),
    }  # fmt: skip
