"""Where one process is first by a clear chance, and where it is too close to call."""

from __future__ import annotations

import numpy as np
import pytest

from calib.quoting.compare import CLEAR, Curve, find_crossovers, find_zones

DRAWS = 900


def lines_of(**first: list[int]) -> list[Curve]:
    """Lines of processes that are first in so many draws at quantities 1, 2, 3 ..., and late in the others."""
    lines, taken = [], dict.fromkeys(range(1, 99), 0)
    for process, wins in first.items():
        ready = {}
        for quantity, number in enumerate(wins, 1):
            draws = np.full(DRAWS, 10.0 + len(lines))
            draws[taken[quantity] : taken[quantity] + number] = 1.0
            taken[quantity] += number
            ready[quantity] = draws
        lines.append(Curve(process, process.lower(), ready))
    return lines


@pytest.mark.parametrize(
    ("first", "zones", "flips"),
    [
        ({"MEX": [900, 500, 440, 100], "PBF": [0, 400, 460, 800]},
         [(1, 1, "MEX"), (2, 3, None), (4, 4, "PBF")], [(4, "MEX", "PBF")]),
        ({"MEX": [900, 500, 880], "PBF": [0, 400, 20]}, [(1, 1, "MEX"), (2, 2, None), (3, 3, "MEX")], []),
        ({"MEX": [500, 400], "PBF": [400, 500]}, [(1, 2, None)], []),
        ({"VPP": [610, 620]}, [(1, 2, "VPP")], []),
        ({"MEX": [890, 10], "PBF": [10, 890]}, [(1, 1, "MEX"), (2, 2, "PBF")], [(2, "MEX", "PBF")]),
    ],
)  # fmt: skip
def test_nothing_is_called_first_that_is_not_so_by_a_clear_chance(first, zones, flips):
    lines, wanted = lines_of(**first), list(range(1, len(next(iter(first.values()))) + 1))
    found = find_zones(lines, wanted)
    assert [(zone["from"], zone["to"], zone["first"]) for zone in found] == zones
    assert all(zone["chance"] >= CLEAR for zone in found if zone["first"])
    flipped = find_crossovers(lines, wanted)
    assert [(one["quantity"], one["from"], one["to"]) for one in flipped] == flips
    assert all(one["chance"] >= CLEAR for one in flipped)
