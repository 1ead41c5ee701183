"""Linear algebra of the program takes one thread, unless its user says otherwise."""

from __future__ import annotations

import os
import subprocess
import sys

import pytest

LOOK = """
import sys
from calib.__main__ import main
sys.argv = ["calib", "--version"]
try:
    main()
except SystemExit:
    pass
import numpy, scipy.linalg
from threadpoolctl import threadpool_info
print(max(pool["num_threads"] for pool in threadpool_info() if pool["internal_api"] == "openblas"))
"""


@pytest.mark.skipif((os.cpu_count() or 1) < 2, reason="one core is one thread anyway")
@pytest.mark.parametrize(("asked", "threads"), [(None, "1"), ("2", "2")])
def test_linear_algebra_has_one_thread_unless_more_are_asked_for(asked, threads):
    environment = {name: value for name, value in os.environ.items() if name != "OPENBLAS_NUM_THREADS"}
    if asked:
        environment["OPENBLAS_NUM_THREADS"] = asked
    done = subprocess.run([sys.executable, "-c", LOOK], env=environment, capture_output=True, text=True, check=True)
    assert done.stdout.splitlines()[-1] == threads
