"""Long work stands in one line: one after another, everybody with a number, nobody turned away."""

from __future__ import annotations

import asyncio
import secrets
from collections.abc import Callable
from concurrent.futures import Future, ThreadPoolExecutor
from dataclasses import dataclass, field

from calib.errors import UsageError

MOST_WAITING = 500
KEPT = 1000  # jobs that are done, whose answers may still be fetched
SOON_S = 1.0  # what is done so soon is answered at once


@dataclass(eq=False)
class Job:
    """One piece of long work; its result is the address of its answer."""

    name: str
    owner: str
    future: Future[str] = field(repr=False)

    @property
    def address(self) -> str:
        return f"/wait/{self.name}"


class WaitingLine:
    """One thread does the work, so that nothing is learned, asked and stored at the same time."""

    def __init__(self) -> None:
        self._thread = ThreadPoolExecutor(1, thread_name_prefix="line")
        self._jobs: dict[str, Job] = {}

    def add(self, owner: str, work: Callable[[], str]) -> Job:
        """Stand in line. Raises UsageError where too many do already."""
        if sum(not job.future.done() for job in list(self._jobs.values())) >= MOST_WAITING:
            raise UsageError(f"{MOST_WAITING} questions are waiting already.", "Come again in a few minutes.")
        job = Job(secrets.token_urlsafe(9), owner, self._thread.submit(work))
        self._jobs[job.name] = job
        done = [name for name, job in list(self._jobs.items()) if job.future.done()]
        for name in done[:-KEPT]:
            self._jobs.pop(name, None)
        return job

    def find(self, name: str, owner: str) -> Job | None:
        job = self._jobs.get(name)
        return job if job and job.owner == owner else None

    def place(self, job: Job) -> int:
        """How many are before it, itself among them; 0 when it is done."""
        if job.future.done():
            return 0
        ahead = list(self._jobs.values())
        return sum(not job.future.done() for job in ahead[: ahead.index(job) + 1])

    async def soon(self, job: Job) -> str:
        """The address of its answer, where that comes soon; else the one at which to wait. Raises what the work raised."""
        answer = asyncio.wrap_future(job.future)
        answer.add_done_callback(lambda own: own.cancelled() or own.exception())  # heard of, if only at its address
        done, _ = await asyncio.wait({answer}, timeout=SOON_S)
        return answer.result() if done else job.address

    def close(self) -> None:
        """Finish what runs, leave what waits."""
        self._thread.shutdown(wait=True, cancel_futures=True)
