"""Paths written by hand: what moves, how far, which way; and files that are none."""

from __future__ import annotations

import math

import numpy as np
import pytest

from calib.errors import PathFileError
from calib.geometry.read_path import read_path
from calib.records import MOVE_KINDS

LAID = MOVE_KINDS.index("laying")


@pytest.fixture
def path_of(tmp_path):
    def read(text):
        file = tmp_path / "plate.nc"
        file.write_bytes(text if isinstance(text, bytes) else text.encode())
        return read_path(file)

    return read


def laid_mm(path):
    return path.length_mm[path.kind == LAID]


@pytest.mark.parametrize(
    ("text", "lengths"),
    [
        ("G1 X3 Y4 E1 F600", [5.0]),
        ("g1x3y4e1f600", [5.0]),
        ("N10 G01 X+3. Y04.0 E1*57\r\n", [5.0]),
        ("G1 X3 E1\nY4 E2", [3.0, 4.0]),  # the move word holds until it is changed
        ("G91\nG1 X3 E1\nX3 E1", [3.0, 3.0]),
        ("G90\nM83\nG1 X3 E1\nX6 E1", [3.0, 3.0]),
        ("G20\nG1 X1 E1", [25.4]),
        ("G1 X5 E1\nG92 X0 E0\nG1 X3 E1", [5.0, 3.0]),
        ("G1 X5 E1\nG28 X\nG1 X3 E2", [5.0, 3.0]),
        ("G1 X9 (X7 E9) E1 ; X8", [9.0]),
        ("G2 X10 Y0 I5 J0 E1", [5 * math.pi]),
        ("G1 X0 Y0 E0\nG2 X10 Y0 R5 E1", [5 * math.pi]),
        ("G3 X0 Y0 I5 J0 E1", [10 * math.pi]),  # ends where it starts: a full circle
        ("G2 X5 Y5 I5 J0 E1", [2.5 * math.pi]),
        ("G3 X5 Y5 I5 J0 E1", [7.5 * math.pi]),
        ("G3 X5 Y5 R-5 E1", [7.5 * math.pi]),
        ("G3 X5 Y5 R5 E1", [2.5 * math.pi]),
        ("G3 X0 Y0 Z3 I2 J0 E1", [math.hypot(4 * math.pi, 3)]),
    ],
)
def test_lengths_by_hand(path_of, text, lengths):
    assert laid_mm(path_of(text)) == pytest.approx(lengths, abs=1e-9)


def test_kinds_speeds_and_layers(path_of):
    path = path_of(
        "G90\nM83\nM140 S60\nM109 S210\nG28\nG1 Z0.2 F1200\nG0 X10 F6000\nG1 X20 E1 F3000\nG1 E-2 F1800\nG1 Z1\nG0 Y9\n"
        "G1 Z0.4\nG1 E2\nG4 P500\nG4 S2\nG1 X30 E1 F2400\n"
    )
    kinds = [MOVE_KINDS[kind] for kind in path.kind]
    assert kinds == ["travel"] * 2 + ["laying", "material"] + ["travel"] * 3 + ["material", "dwell", "dwell", "laying"]
    assert path.layer_z_mm.tolist() == [0.2, 0.4]
    assert path.layer.tolist() == [0] * 10 + [1]
    assert path.dwell_s[path.kind == 3].tolist() == [0.5, 2.0]
    assert path.speed_mm_s[path.kind == LAID].tolist() == [50.0, 40.0]
    assert [(word.heater, word.set_c, word.waits) for word in path.heat] == [
        ("bed", 60.0, False),
        ("nozzle", 210.0, True),
    ]
    assert path.notes == ()


def test_turns(path_of):
    path = path_of("G1 X10 E1 F600\nG1 X20 E2\nG1 Y10 E3\nG1 Y0 E4\nG2 X30 Y-10 I0 J-10 E5\n")
    by_degrees = [0.0, 90.0, 180.0, 90.0]  # the arc leaves to the right
    assert path.turn[1:] == pytest.approx(np.sin(np.deg2rad(by_degrees) / 2), abs=1e-9)
    assert np.isinf(path.turn[0])


def test_words_that_no_standard_names_are_counted(path_of):
    path = path_of("G1 X1 E1 F60\nM117 done\nG900 K1\nO100 WHILE\n#1=5\nX 2 E..3\nT1\n")
    assert "M117 ×1" in path.notes[0]
    assert "G900 ×1" in path.notes[0]
    assert any("have no number behind them" in note for note in path.notes)


@pytest.mark.parametrize(
    ("text", "says"),
    [
        (b"", "is empty"),
        (b" \n\n", "is empty"),
        (b"\0" * 4000, "lays no material"),
        (b"\xff\xfe\x00", "lays no material"),
        (b"G1 XNAN YINF E1", "lays no material"),
        (b"G1 X1000000000 E1", "line 1: X1e+09 mm lies outside every machine"),
        (b"G21\nG20\nG1 X9000 E1", "line 3: X228600 mm lies outside every machine"),
        (b"G1 X" + b"9" * 5000 + b" E1", "lays no material"),
        (b"G1 X1\nG0 Y5\n", "lays no material"),
        (b"solid cube\nfacet normal 0 0 1\n", "lays no material"),
        (b"O1\nM98 P1\nM99\n" * 50, "lays no material"),
    ],
)
def test_what_is_no_path_is_a_sentence(path_of, text, says):
    with pytest.raises(PathFileError, match=r"plate\.nc") as refused:
        path_of(text)
    assert says in str(refused.value)


def test_pieces_of_the_file_join_without_a_seam(path_of, monkeypatch):
    text = "".join(f"G1 X{i % 7} Y{i % 5} E{i}\n" for i in range(1, 400))
    whole = path_of(text)
    monkeypatch.setattr("calib.geometry.read_path.PIECE_BYTES", 37)
    pieces = path_of(text)
    assert np.array_equal(whole.length_mm, pieces.length_mm)
    assert np.array_equal(whole.turn, pieces.turn)
