"""Long work in its own process: its answers and errors come back, its death is a sentence, and it never outlives the page."""

from __future__ import annotations

import multiprocessing
import os
import signal
import time
from pathlib import Path

import pytest

from calib.cli import fault
from calib.errors import CalibError, UsageError
from calib.serve.reckoner import Reckoner


@pytest.fixture(scope="module")
def reckoner():
    made = Reckoner()
    yield made
    made.close()


def refuse():
    raise UsageError("So it cannot be.", "Ask otherwise.")


def test_it_answers_from_elsewhere_and_keeps_its_process(reckoner):
    process = reckoner(os.getpid)
    assert process != os.getpid()
    assert reckoner(os.getpid) == process


def test_what_cannot_be_done_comes_back_as_its_sentence(reckoner):
    with pytest.raises(UsageError) as raised:
        reckoner(refuse)
    assert (raised.value.message, raised.value.hint) == ("So it cannot be.", "Ask otherwise.")


def test_the_report_of_a_fault_names_the_line_in_the_other_process(reckoner):
    with pytest.raises(AttributeError) as raised:
        reckoner(fault.of_the_system, "no error")
    assert "cli/fault.py" in fault.in_words(raised.value, "serve")[0]


@pytest.mark.skipif(os.name != "posix", reason="signals as POSIX has them")
def test_it_does_not_hear_the_servers_signals_and_its_death_is_a_sentence(reckoner):
    process = reckoner(os.getpid)
    os.kill(process, signal.SIGTERM)
    assert reckoner(os.getpid) == process
    with pytest.raises(CalibError, match="was ended before it had an answer"):
        reckoner(os._exit, 1)
    assert reckoner(os.getpid) != process


def begin(pipe):
    pipe.send(Reckoner()(os.getpid))
    time.sleep(60)


@pytest.mark.skipif(os.name != "posix", reason="kills as POSIX has them")
def test_it_ends_with_a_server_that_is_killed():
    ours, theirs = multiprocessing.get_context("spawn").Pipe()
    server = multiprocessing.get_context("spawn").Process(target=begin, args=(theirs,))
    server.start()
    process = ours.recv()
    server.kill()
    server.join()
    while is_running(process):
        time.sleep(0.01)


def is_running(process):
    try:
        os.kill(process, 0)
    except ProcessLookupError:
        return False
    status = Path(f"/proc/{process}/stat")
    return not (status.exists() and " Z " in status.read_text())  # that one has ended, and nobody has asked how
