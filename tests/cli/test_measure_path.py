"""``calib measure`` of a path: its minutes add up, its picture fits, and what is none is a sentence."""

from __future__ import annotations

import pytest

PATH = "M109 S200\n" + "".join(f"G1 Z{z / 5} F600\nG1 X{10 + z} E{z} F1800\nG1 X0\n" for z in range(1, 60))


def test_minutes_add_up(document, lab):
    (lab / "plate.nc").write_text(PATH)
    shown = document("measure plate.nc")
    kinds = sum(shown[f"{kind}_min"] for kind in ("laying", "travel", "material", "dwell"))
    assert sum(layer["minutes"] for layer in shown["layers"]) == pytest.approx(kinds)
    assert shown["printing_min"] == pytest.approx(kinds + shown["heat_between_min"])
    assert shown["heat_before_min"] > 0
    assert len(shown["layers"]) == 59
    assert document("measure plate.nc --machine mex1")["machine"]["id"] == "mex1"


def test_the_picture_fits_a_terminal(calib, lab):
    (lab / "plate.nc").write_text(PATH)
    status, shown, _ = calib("measure plate.nc")
    assert status == 0
    bars = [line for line in shown.splitlines() if " mm █" in line]
    assert 10 <= len(bars) <= 16
    assert max(map(len, bars)) <= 76
    assert bars[0].count("█") > bars[-1].count("█")  # the highest layers are the longest here, and stand on top


@pytest.mark.parametrize(
    ("text", "more", "says"),
    [
        ("", "", "is empty"),
        ("G1 X5 F100", "", "lays no material"),
        (PATH, "--machine vpp1", 'no extruder of the shop. Its extruders: mex1'),
        (PATH + "M109 S5000\nG1 X9 E99", "", "is never reached"),
    ],
)  # fmt: skip
def test_what_cannot_be_measured_is_a_sentence(calib, lab, text, more, says):
    (lab / "plate.nc").write_text(text)
    status, _, error = calib(f"measure plate.nc {more}")
    assert status == 2
    assert says in error
