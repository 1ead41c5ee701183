"""The engine on one machine: a process for each task, some at a time. A process that is killed costs its own task only."""

from __future__ import annotations

import multiprocessing
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from multiprocessing.connection import Connection, wait
from multiprocessing.process import BaseProcess
from typing import Any

from calib.sites.task import LEFT_OUT, Outcome, Task, run_task

TRIES = 2
# The last two cost each process a second of its own: calib imports them where they are used.
PRELOADED = ["calib.sites.task", "scipy.stats", "sklearn.ensemble"]


@dataclass(eq=False)
class _Running:
    task: Task
    process: BaseProcess
    answer: Connection
    tries: int


def run_local(tasks: Sequence[Task], workers: int, do: Callable[[Task], Outcome] = run_task) -> Iterator[Outcome]:
    """Outcomes as they come. A task whose process ends without an answer is tried once more."""
    context = _context()
    waiting = [(task, 1) for task in reversed(tasks)]
    running: list[_Running] = []
    try:
        while waiting or running:
            while waiting and len(running) < workers:
                running.append(_start(context, do, *waiting.pop()))
            for one in _ended(running):
                running.remove(one)
                outcome = _outcome(one)
                if outcome is None and one.tries < TRIES:
                    waiting.append((one.task, one.tries + 1))
                else:
                    yield outcome or _killed(one)
    finally:
        for one in running:
            one.process.kill()
            one.process.join()


def _context() -> Any:
    """Processes forked from a fresh one that has loaded calib already, and what a fit loads when it comes to it; where there
    is none, fresh ones."""
    if "forkserver" not in multiprocessing.get_all_start_methods():
        return multiprocessing.get_context("spawn")
    context = multiprocessing.get_context("forkserver")
    context.set_forkserver_preload(PRELOADED)
    return context


def _start(context: Any, do: Callable[[Task], Outcome], task: Task, tries: int) -> _Running:
    here, there = context.Pipe(duplex=False)
    process = context.Process(target=_work, args=(there, do, task), daemon=True)
    process.start()
    there.close()
    return _Running(task, process, here, tries)


def _work(answer: Connection, do: Callable[[Task], Outcome], task: Task) -> None:
    answer.send(do(task))


def _ended(running: list[_Running]) -> list[_Running]:
    ready = wait([one.answer for one in running])
    return [one for one in running if one.answer in ready]


def _outcome(one: _Running) -> Outcome | None:
    """The answer; None where the process ended without one."""
    try:
        outcome: Outcome = one.answer.recv()
        return outcome
    except (EOFError, OSError):
        return None
    finally:
        one.answer.close()
        one.process.join()


def _killed(one: _Running) -> Outcome:
    code = one.process.exitcode
    how = f"signal {-code}" if code is not None and code < 0 else f"status {code}"
    says = f"Its process ended twice without an answer ({how}): was it stopped, or is there too little memory? The next night tries again."
    return Outcome(one.task.site, LEFT_OUT, says)
