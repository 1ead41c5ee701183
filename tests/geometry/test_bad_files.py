"""Whatever a file holds: a mesh, or a sentence that says what is wrong; never a traceback, nor memory without end."""

import sys
import tracemalloc
import zipfile
from contextlib import contextmanager
from pathlib import Path

import numpy as np
import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st
from solids_for_tests import as_library_mesh, ball, box, crumpled, stl_bytes, stl_text

from calib.errors import CalibError
from calib.geometry.layer_profile import layer_profile
from calib.geometry.read_mesh import MAX_FACES, read_mesh

pytestmark = pytest.mark.filterwarnings("ignore:::trimesh")
STEP = Path(__file__).parent / "plate_in_inches.step"


def exported(kind):
    data = as_library_mesh(box(3, 4, 5)).export(file_type=kind)
    return data if isinstance(data, bytes) else data.encode()


SOUND = {
    "binary.stl": stl_bytes(box(3, 4, 5)),
    "text.stl": stl_text(box(3, 4, 5)),
    "a.3mf": exported("3mf"),
    "a.obj": exported("obj"),
    "a.ply": exported("ply"),
}


def sentence(path):
    """What the reader says of a file, '' where it read it."""
    try:
        mesh = read_mesh(path)
    except CalibError as error:
        answer = str(error)
        assert answer.strip().endswith((".", "?"))
        assert path.name in answer
        assert "Traceback" not in answer
        return answer
    assert np.isnan(mesh.volume_mm3) or mesh.volume_mm3 > 0
    assert not np.isnan(mesh.volume_mm3) or mesh.notes  # no volume without a word
    return ""


@settings(max_examples=120, deadline=None)
@given(st.sampled_from(sorted(SOUND)), st.floats(0, 1, exclude_max=True))
def test_a_file_cut_short_anywhere_is_read_or_named(tmp_path_factory, name, share):
    path = tmp_path_factory.getbasetemp() / name
    path.write_bytes(SOUND[name][: int(share * len(SOUND[name]))])
    sentence(path)


@settings(max_examples=120, deadline=None)
@given(st.sampled_from(sorted(SOUND)), st.lists(st.tuples(st.integers(0, 10**6), st.integers(0, 255)), min_size=1))
def test_a_file_with_wrong_bytes_is_read_or_named(tmp_path_factory, name, changes):
    data = bytearray(SOUND[name])
    for place, byte in changes:
        data[place % len(data)] = byte
    path = tmp_path_factory.getbasetemp() / name
    path.write_bytes(data)
    sentence(path)


@settings(max_examples=40, deadline=None)
@given(st.integers(-9, 9), st.sampled_from(["box", "ball", "crumpled"]))
@example(6, "ball")
@example(-6, "ball")
def test_a_million_fold_scale_is_measured_right_or_refused(tmp_path_factory, power, shape):
    solid = {"box": box(3, 4, 5), "ball": ball(5.0, 2), "crumpled": crumpled(2)}[shape]
    path = tmp_path_factory.getbasetemp() / "scaled.stl"
    path.write_bytes(stl_bytes(solid * 10.0**power))
    answer = sentence(path)
    if power <= 3:
        assert read_mesh(path).volume_mm3 == pytest.approx(
            as_library_mesh(solid).volume * 10.0 ** (3 * power), rel=1e-4
        )
    elif answer:
        assert "at most 1e+06 mm are read" in answer
        assert "--unit" in answer


@pytest.mark.parametrize(
    "lines", [b"solid part\n" + bytes(100), b"solid\nfacet normal 0 0 1\nouter loop\n\x00\xff\xfe"]
)
def test_text_that_is_none_is_named(tmp_path, lines):
    path = tmp_path / "claims.stl"
    path.write_bytes(lines)
    assert sentence(path)


def test_text_that_claims_to_be_binary_is_read_as_text(tmp_path):
    path = tmp_path / "claims.stl"
    text = stl_text(box(3, 4, 5))
    path.write_bytes(b"solid binary STL, 12 facets" + text[len(b"solid part") :])
    assert read_mesh(path).volume_mm3 == pytest.approx(60.0)


@settings(max_examples=60, deadline=None)
@given(st.lists(st.tuples(*[st.floats(-50, 50, width=16)] * 6), min_size=1, max_size=12), st.integers(0, 2))
def test_zero_thickness_encloses_nothing_and_says_so(tmp_path_factory, rows, axis):
    flat = np.insert(np.array(rows).reshape(-1, 3, 2), axis, 7.0, axis=2)
    path = tmp_path_factory.getbasetemp() / "flat.stl"
    path.write_bytes(stl_bytes(np.concatenate([flat, flat[:, ::-1]])))
    mesh = read_mesh(path)
    assert np.isnan(mesh.volume_mm3)
    assert any("encloses no volume" in note or "it has no volume" in note for note in mesh.notes)


@given(st.integers(0, 11), st.integers(0, 8), st.sampled_from([np.nan, np.inf, -np.inf]))
def test_a_coordinate_that_is_no_number_is_named_with_its_triangle(tmp_path_factory, face, place, value):
    solid = box(3, 4, 5)
    solid.reshape(12, 9)[face, place] = value
    path = tmp_path_factory.getbasetemp() / "nan.stl"
    path.write_bytes(stl_bytes(solid))
    assert f"triangle {face + 1} has a coordinate that is not a number" in sentence(path)


def test_a_signalling_nan_is_named_without_a_warning(tmp_path):
    data = bytearray(stl_bytes(box(3, 4, 5)))
    data[84 + 12 : 84 + 16] = b"\x00\x00\xa0\x7f"  # the first coordinate of the first corner
    (tmp_path / "part.stl").write_bytes(data)
    assert "triangle 1 has a coordinate that is not a number" in sentence(tmp_path / "part.stl")


@contextmanager
def memory_below(megabytes):
    tracemalloc.start()
    try:
        yield
        assert tracemalloc.get_traced_memory()[1] < megabytes * 1e6
    finally:
        tracemalloc.stop()


RELS = (
    '<Relationships xmlns="http://schemas.openxmlformats.org/package/2006/relationships"><Relationship Id="r" '
    'Target="/m.model" Type="http://schemas.microsoft.com/3dmanufacturing/2013/01/3dmodel"/></Relationships>'
)
HEAD = b'<model xmlns="http://schemas.microsoft.com/3dmanufacturing/core/2015/02"><resources><object id="1"><mesh><vertices>'
BOMBS = {
    "blanks": (b" " * 100_000_000, "unpacks to more than"),
    "vertices": (HEAD + b'<vertex x="0" y="0" z="0"/>' * 300_000, "unpacks to more than"),
    "deep": (HEAD + b"<a>" * 300_000, "nested more than"),
    "relations": (b"", "unpacks to more than 1 MB"),
}


@pytest.mark.parametrize("bomb", sorted(BOMBS))
def test_archives_that_burst_are_stopped_in_bounded_memory(tmp_path, bomb):
    inside, text = BOMBS[bomb]
    path = tmp_path / "bomb.3mf"
    with zipfile.ZipFile(path, "w", zipfile.ZIP_DEFLATED) as archive:
        archive.writestr("_rels/.rels", RELS if inside else RELS.replace("><", ">" + " " * 30_000_000 + "<", 1))
        archive.writestr("m.model", inside)
    assert path.stat().st_size < 1_000_000
    with memory_below(60):
        assert text in sentence(path)


@pytest.mark.parametrize(("name", "most"), [("a.stl", 512), ("a.3mf", 512), ("a.obj", 192), ("a.ply", 192)])
def test_files_that_are_too_large_are_refused_unread(tmp_path, name, most):
    path = tmp_path / name
    with path.open("wb") as stream:
        stream.truncate(most * 1024**2 + 1)  # a sparse file
    with memory_below(5):
        assert f"at most {most} MB are read" in sentence(path)


def test_a_header_that_promises_much_takes_no_memory(tmp_path):
    path = tmp_path / "promises.stl"
    path.write_bytes(bytes(80) + MAX_FACES.to_bytes(4, "little") + bytes(500))
    with memory_below(5):
        assert "promises 5000000 facets" in sentence(path)


opened = []
sys.addaudithook(lambda event, args: opened.append(str(args[0])) if event == "open" and opened is not None else None)


@pytest.mark.parametrize(
    ("name", "data"),
    [
        ("a.obj", b"mtllib secret.mtl\ncall secret.obj\nv 0 0 0\nv 1 0 0\nv 0 1 0\nusemtl x\nf 1 2 3\n"),
        ("a.ply", exported("ply").replace(b"ply\n", b"ply\ncomment TextureFile secret.png\n", 1)),
        ("a.3mf", None),
    ],
)
def test_files_that_a_part_file_names_are_never_opened(tmp_path, name, data):
    for other in ("secret.mtl", "secret.obj", "secret.png", "secret.xml"):
        (tmp_path / other).write_text("secret")
    path = tmp_path / name
    if data is None:
        entity = f'<!DOCTYPE m [<!ENTITY a SYSTEM "file://{tmp_path}/secret.xml">]>'.encode()
        with zipfile.ZipFile(path, "w") as archive:
            archive.writestr("_rels/.rels", RELS)
            archive.writestr("m.model", entity + HEAD + b"&a;")
    else:
        path.write_bytes(data)
    opened.clear()
    answer = sentence(path)
    assert any(name in one for one in opened)
    assert not [one for one in opened if "secret" in one]
    assert (data is None) == ("entities are never followed" in answer)


def test_step_is_read_with_its_own_unit(tmp_path, capfd):
    pytest.importorskip("cascadio")
    mesh = read_mesh(STEP)
    # a plate of 30 x 20 x 10 mm with a hole of 10 mm, stated in inches: 6000 - 250 pi mm3, chords to 0.01 mm
    assert mesh.volume_mm3 == pytest.approx(6000 - 250 * np.pi, rel=1e-3)
    assert (mesh.unit, mesh.unit_assumed, mesh.bodies, mesh.watertight) == ("mm", False, 1, True)
    assert layer_profile(mesh.triangles, 1.0).contours.tolist() == [2] * 10
    cut = tmp_path / "cut.step"
    cut.write_bytes(STEP.read_bytes()[:5000])
    assert "cut short or damaged" in sentence(cut)
    assert capfd.readouterr() == ("", "")  # the kernel's own words stay off standard output


def test_without_its_extra_step_says_what_to_install(monkeypatch):
    monkeypatch.setitem(sys.modules, "cascadio", None)
    assert "pip install calib[step]" in sentence(STEP)


def test_other_text_is_no_step(tmp_path):
    pytest.importorskip("cascadio")
    (tmp_path / "a.step").write_text("hello")
    assert "does not begin with ISO-10303-21" in sentence(tmp_path / "a.step")
