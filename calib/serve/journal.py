"""Taps as they came, one line each: kept on the disk before the browser hears that they are."""

from __future__ import annotations

import json
import os
import threading
from datetime import datetime, timedelta
from pathlib import Path

from calib.errors import StoreError
from calib.workflow.taps import Run, Tap, fold

FOLDER = "taps"  # in the shop's folder; no logs, whose rows are made from them
KEPT_DAYS = 45  # by their file's month; older ones stay on the disk


class Journal:
    """Appended, never changed. The same id is the same tap, sent again or not, before a restart or after it."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder / FOLDER
        self._guard = threading.Lock()
        self._taps: dict[str, Tap] = {}
        oldest = (datetime.now() - timedelta(days=KEPT_DAYS)).strftime("%Y-%m")
        for path in sorted(self.folder.glob("*.taps")) if self.folder.is_dir() else ():
            if path.stem >= oldest:
                self._taps |= {tap.id: tap for tap in _read(path)}
        self._runs: dict[str, Run] = {}
        self._by_build: dict[str, dict[str, Run]] = {}
        self._set_runs(fold(self._taps.values()))

    @property
    def taps(self) -> list[Tap]:
        return list(self._taps.values())

    @property
    def runs(self) -> dict[str, Run]:
        return self._runs

    def runs_of(self, build_id: str) -> list[Run]:
        """Of one build, alone or with others."""
        return list(self._by_build.get(build_id, {}).values())

    def find(self, name: str) -> Tap | None:
        return self._taps.get(name)

    def add(self, tap: Tap) -> bool:
        """Keep a tap; False where it is kept already. It is on the disk when this returns.

        Raises StoreError where it cannot be written.
        """
        with self._guard:
            if tap.id in self._taps:
                return False
            line = json.dumps(tap.document(), ensure_ascii=False) + "\n"
            try:
                self.folder.mkdir(exist_ok=True)
                with (self.folder / f"{tap.at[:7]}.taps").open("ab") as out:
                    out.write(line.encode())
                    out.flush()
                    os.fsync(out.fileno())
            except OSError as error:
                raise StoreError(f"The tap could not be kept: {error.strerror}.", "It stays on the tablet.") from error
            self._taps[tap.id] = tap
            if tap.what == "undo":
                self._set_runs(fold(self._taps.values()))
            else:
                self._set_runs(fold([tap], self._runs), tap.run or tap.id)
            return True

    def _set_runs(self, runs: dict[str, Run], changed: str | None = None) -> None:
        """changed : key of the only one that is not as before; None where all may be others"""
        by_build = {} if changed is None else self._by_build
        for key in runs if changed is None else {changed} & runs.keys():
            for build_id in {runs[key].build_id, *runs[key].build_id.split("+")}:
                by_build.setdefault(build_id, {})[key] = runs[key]
        self._runs, self._by_build = runs, by_build


def _read(path: Path) -> list[Tap]:
    """The taps of a file. A last line without its end was cut off by a kill: nobody heard that it was kept, so it goes."""
    data = path.read_bytes()
    whole = data[: data.rfind(b"\n") + 1]
    if len(whole) < len(data):
        os.truncate(path, len(whole))
    try:
        return [Tap(**json.loads(line)) for line in whole.splitlines()]
    except (ValueError, TypeError) as error:
        raise StoreError(f"{path.name} in {FOLDER} is damaged.", "Move it away; its rows are in the logs.") from error
