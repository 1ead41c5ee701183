"""Parts that people brought: read once in a process of their own, kept in memory for a while; their files go at once."""

from __future__ import annotations

import secrets
import shutil
import tempfile
import threading
import time
from collections.abc import Callable
from contextlib import ExitStack
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from calib.scratch import scratch_folder
from calib.workflow.ask import ReadPart

KEPT_S = 8 * 3600.0
MOST_BYTES = 400 << 20  # of all meshes kept: the oldest go first


@dataclass(frozen=True, eq=False)
class Upload:
    """part : as it was read; at : when [s]"""

    token: str
    part: ReadPart
    at: float


class Uploads:
    """folder : where files lie while they are read"""

    def __init__(self) -> None:
        self._until_closed = ExitStack()
        self.folder = self._until_closed.enter_context(scratch_folder())
        self._kept: dict[str, Upload] = {}
        self._guard = threading.Lock()

    def take(self, name: str, data: Any, read: Callable[[Path], Any]) -> Any:
        """What ``read`` makes of the bytes of an open file under that name; the file is gone afterwards."""
        with tempfile.TemporaryDirectory(dir=self.folder) as work:
            path = Path(work, name)
            with path.open("wb") as out:
                shutil.copyfileobj(data, out)
            return read(path)

    def keep(self, part: ReadPart) -> Upload:
        made = Upload(secrets.token_urlsafe(9), part, time.monotonic())
        with self._guard:
            self._kept[made.token] = made
            total = 0
            for token, kept in reversed(list(self._kept.items())):
                total += kept.part.mesh.triangles.nbytes * 3
                if token != made.token and (total > MOST_BYTES or made.at - kept.at > KEPT_S):
                    del self._kept[token]
        return made

    def find(self, token: str) -> Upload | None:
        return self._kept.get(token)

    def close(self) -> None:
        self._until_closed.close()
