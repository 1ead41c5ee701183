import io
import zipfile
from contextlib import suppress

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from solids_for_tests import as_library_mesh, ball, box, stl_bytes, stl_text

from calib.errors import CalibError, MeshError
from calib.geometry import read_3mf
from calib.geometry.read_mesh import read_mesh, read_part
from calib.geometry.units import MM_PER, ask_unit

CORE = "http://schemas.microsoft.com/3dmanufacturing/core/2015/02"
RELS = (
    '<Relationships xmlns="http://schemas.openxmlformats.org/package/2006/relationships"><Relationship Id="r" '
    'Target="/3D/part.model" Type="http://schemas.microsoft.com/3dmanufacturing/2013/01/3dmodel"/></Relationships>'
)


@pytest.fixture
def read(tmp_path):
    def read_bytes(data, suffix=".stl", **options):
        path = tmp_path / f"part{suffix}"
        path.write_bytes(data)
        return read_mesh(path, **options)

    return read_bytes


def mesh_xml(triangles):
    points = "".join('<vertex x="{:.9g}" y="{:.9g}" z="{:.9g}"/>'.format(*p) for p in triangles.reshape(-1, 3))
    faces = "".join(f'<triangle v1="{3 * i}" v2="{3 * i + 1}" v3="{3 * i + 2}"/>' for i in range(len(triangles)))
    return f"<mesh><vertices>{points}</vertices><triangles>{faces}</triangles></mesh>"


def archive(resources, build, unit="", head=""):
    unit = f'unit="{unit}" ' if unit else ""
    model = f'{head}<model {unit}xmlns="{CORE}"><resources>{resources}</resources><build>{build}</build></model>'
    return zipped({"_rels/.rels": RELS, "3D/part.model": model})


def zipped(members):
    held = io.BytesIO()
    with zipfile.ZipFile(held, "w", zipfile.ZIP_DEFLATED) as target:
        for name, text in members.items():
            target.writestr(name, text)
    return held.getvalue()


CUBE = f'<object id="1">{mesh_xml(box(1, 1, 1))}</object>'


@pytest.mark.parametrize("write", [stl_bytes, stl_text])
def test_stl_binary_and_text(read, write):
    mesh = read(write(box(10, 20, 30, (1, 2, 3))))
    assert mesh.volume_mm3 == pytest.approx(6000.0)
    assert mesh.area_mm2 == pytest.approx(2200.0)
    assert mesh.bounds_mm == pytest.approx(np.array([[1, 2, 3], [11, 22, 33]]))
    assert (mesh.unit, mesh.unit_assumed, mesh.bodies, mesh.watertight) == ("mm", True, 1, True)


def test_binary_that_begins_like_text_is_read_as_binary(read):
    assert read(stl_bytes(box(1, 1, 1), header=b"solid facet normal")).volume_mm3 == pytest.approx(1.0)


@pytest.mark.parametrize("suffix", [".obj", ".ply"])
@pytest.mark.filterwarnings("ignore")  # the library's own
def test_other_formats_through_the_library(read, suffix):
    data = as_library_mesh(box(1, 2, 3)).export(file_type=suffix[1:])
    assert read(data if isinstance(data, bytes) else data.encode(), suffix).volume_mm3 == pytest.approx(6.0)


def test_3mf_written_by_the_library_is_read(read):
    data = as_library_mesh(ball(10.0)).export(file_type="3mf")
    assert read(data, ".3mf").volume_mm3 == pytest.approx(as_library_mesh(ball(10.0)).volume, rel=1e-5)


def test_3mf_items_and_components_are_placed(read):
    parts = (
        '<object id="2"><components><component objectid="1" transform="2 0 0 0 1 0 0 0 1 0 0 0"/></components></object>'
    )
    build = '<item objectid="2"/><item objectid="1" transform="1 0 0 0 1 0 0 0 1 10 0 0"/>'
    mesh = read(archive(CUBE + parts, build), ".3mf")
    assert mesh.bodies == 2
    assert mesh.volume_mm3 == pytest.approx(3.0)
    assert mesh.bounds_mm[1] == pytest.approx([11, 1, 1])


def test_3mf_mirrored_item_stays_a_solid(read):
    mesh = read(archive(CUBE, '<item objectid="1" transform="-1 0 0 0 1 0 0 0 1 0 0 0"/>'), ".3mf")
    assert (mesh.volume_mm3, mesh.notes) == (pytest.approx(1.0), ())


def test_3mf_support_objects_are_no_part_of_the_solid(read):
    support = f'<object id="2" type="support">{mesh_xml(box(1, 1, 9, (5, 5, 0)))}</object>'
    mesh = read(archive(CUBE + support, '<item objectid="1"/><item objectid="2"/>'), ".3mf")
    assert mesh.volume_mm3 == pytest.approx(1.0)


def test_unit_option_scales_and_never_overrides_the_file(read):
    assert read(stl_bytes(box(1, 1, 1)), unit="inch").volume_mm3 == pytest.approx(25.4**3)
    with pytest.raises(MeshError, match="states its own unit, cm"):
        read(archive(CUBE, '<item objectid="1"/>', unit="centimeter"), ".3mf", unit="inch")
    with pytest.raises(MeshError, match='"furlong" is not a unit of length'):
        read(stl_bytes(box(1, 1, 1)), unit="furlong")


@pytest.mark.parametrize(
    ("usual_mm", "side", "asked", "noted"),
    [
        ((), 2.0, True, False),  # a bracket of 2 units
        ((), 12.0, False, True),
        ((), 25.0, False, False),
        ((60, 55, 80, 120, 90), 2.0, True, False),
        ((60, 55, 80, 120, 90), 20.0, True, False),  # nobody here has made one smaller than 55
        ((60, 55, 80, 120, 90), 40.0, False, True),
        ((6, 8, 3, 5, 4, 20), 2.0, False, True),  # a lab of tiny parts
        ((6, 8, 3, 5, 4, 20), 3.5, False, False),
        ((60, 55), 12.0, False, True),  # two parts say nothing of what is usual
    ],
)
def test_small_parts_are_asked_about_by_what_the_lab_makes(tmp_path, usual_mm, side, asked, noted):
    path = tmp_path / "part.stl"
    path.write_bytes(stl_bytes(box(side, side / 2, side / 4)))
    assert read_part(path, "mm", (300, 300, 300), "", usual_mm).notes == ()
    if asked:
        with pytest.raises(MeshError, match=f"as mm the part is {side:.3g} x .* say --unit (inch|cm)"):
            read_part(path, None, (300, 300, 300), "", usual_mm)
        return
    notes = read_part(path, None, (300, 300, 300), "", usual_mm).notes
    assert any("say --unit inch" in note for note in notes) == noted


def test_absurd_sizes_name_the_likely_unit(read):
    tiny, huge = read(stl_bytes(box(0.08, 0.05, 0.02))), read(stl_bytes(box(80000, 50000, 20000)))
    assert "may be m: then say --unit m." in tiny.notes[0]
    assert "may be micron" in huge.notes[0]
    with pytest.raises(MeshError, match="as mm the part is 700 x 10 x 10 mm, more than 600 mm"):
        ask_unit("part.stl", np.array([700.0, 10, 10]), (300, 200, 250))
    ask_unit("part.stl", np.array([400.0, 10, 10]), (300, 200, 250))  # too large, not absurd
    assert read(stl_bytes(box(0.08, 0.05, 0.02)), unit="mm").notes == ()


def test_a_part_to_be_built_without_a_unit_is_asked_about(tmp_path):
    path = tmp_path / "part.stl"
    path.write_bytes(stl_bytes(box(0.8, 0.6, 0.5)))
    with pytest.raises(MeshError, match=r"part.stl: .* may be inch: then say --unit inch") as caught:
        read_part(path, None, (200, 200, 300))
    assert "--unit mm" in caught.value.hint
    assert read_part(path, "inch", (200, 200, 300)).size_mm == pytest.approx([20.32, 15.24, 12.7])
    assert read_part(path, "mm", (200, 200, 300)).size_mm == pytest.approx([0.8, 0.6, 0.5])


@pytest.mark.parametrize(
    ("data", "suffix", "text"),
    [
        (b"", ".stl", "is empty"),
        (b"hello", ".stl", "too few"),
        (stl_bytes(box(1, 1, 1))[:-7], ".stl", "promises 12 facets, that is 684 bytes, and it has 677"),
        (b"\0" * 80 + (4_000_000_000).to_bytes(4, "little"), ".stl", "cut short"),
        (stl_bytes(box(1, 1, 1)[:0]), ".stl", "holds no triangle"),
        (stl_text(box(1, 1, 1)).replace(b"vertex 1 1 1", b"vertex 1 one 1"), ".stl", '"one" is not a coordinate'),
        (stl_text(box(1, 1, 1))[:300], ".stl", "cut short|corners instead of"),
        (stl_bytes(box(1, 1, 1) * np.nan), ".stl", "triangle 1 has a coordinate that is not a number"),
        (stl_bytes(box(1, 1, 1) * 1e7), ".stl", "at most 1e\\+06 mm"),
        (b"solid", ".xyz", "not a kind of part file"),
        (b"PK nothing", ".3mf", "archive is damaged"),
        (zipped({"a": "b"}), ".3mf", "is not in its archive"),
        (archive(CUBE, ""), ".3mf", "no build item"),
        (archive(CUBE, '<item objectid="7"/>'), ".3mf", 'object "7" is used but not there'),
        (archive(CUBE, '<item objectid="1" transform="1 2"/>'), ".3mf", "twelve numbers"),
        (archive(CUBE, '<item objectid="1"/>', unit="parsec"), ".3mf", "parsec"),
        (archive(CUBE.replace('v1="0"', 'v1="99"'), '<item objectid="1"/>'), ".3mf", "names vertex 99"),
        (archive(CUBE.replace('x="0"', 'x="zero"', 1), '<item objectid="1"/>'), ".3mf", "is wrong"),
    ],
)
def test_bad_files_are_named_with_what_is_wrong(read, data, suffix, text):
    with pytest.raises(MeshError, match=text):
        read(data, suffix)


def test_entities_are_never_followed(read):
    head = '<!DOCTYPE model [<!ENTITY a SYSTEM "file:///etc/hostname">]>'
    with pytest.raises(MeshError, match="cannot be read as 3MF"):
        read(archive(CUBE + "&a;", '<item objectid="1"/>', head=head), ".3mf")


def test_an_archive_made_to_burst_is_stopped(read):
    with pytest.raises(MeshError, match="unpacks to more than"):
        read(zipped({"_rels/.rels": RELS, "3D/part.model": " " * 50_000_000}), ".3mf")


def test_components_in_a_circle_or_without_end_are_stopped(read):
    circle = '<object id="1"><components><component objectid="1"/></components></object>'
    with pytest.raises(MeshError, match="nested more than"):
        read(archive(circle, '<item objectid="1"/>'), ".3mf")
    many = '<component objectid="{}"/>' * 10
    levels = "".join(
        f'<object id="{i}"><components>{many.replace("{}", str(i + 1))}</components></object>' for i in range(1, 12)
    )
    with pytest.raises(MeshError, match=f"more than {read_3mf.MAX_USES} objects"):
        read(archive(levels + '<object id="12"/>', '<item objectid="1"/>'), ".3mf")


def test_too_many_faces_are_refused_before_they_are_read(read):
    with pytest.raises(MeshError, match="at most 5000000"):
        read(b"\0" * 80 + (5_000_001).to_bytes(4, "little") + bytes(50 * 5_000_001))


@settings(max_examples=60, deadline=None)
@given(st.binary(max_size=400), st.sampled_from([".stl", ".3mf"]))
def test_any_bytes_give_a_mesh_or_a_sentence(tmp_path_factory, data, suffix):
    path = tmp_path_factory.getbasetemp() / f"any{suffix}"
    path.write_bytes(data)
    with suppress(CalibError):  # anything else is a traceback, and fails
        read_mesh(path)


@settings(max_examples=60, deadline=None)
@given(
    st.lists(st.lists(st.sampled_from([0.0, 1.0, -1.0, 1e-30, 3.5]), min_size=9, max_size=9), min_size=1, max_size=8)
)
def test_any_few_triangles_give_a_volume_or_none_but_no_crash(tmp_path_factory, rows):
    path = tmp_path_factory.getbasetemp() / "few.stl"
    path.write_bytes(stl_bytes(np.array(rows).reshape(-1, 3, 3)))
    mesh = read_mesh(path)
    assert np.isnan(mesh.volume_mm3) or 0 < mesh.volume_mm3 <= 125 + 1e-6


@settings(max_examples=30, deadline=None)
@given(st.sampled_from(sorted(MM_PER)), st.floats(0.5, 20.0))
def test_a_unit_scales_lengths_surfaces_and_volumes(tmp_path_factory, unit, size):
    path = tmp_path_factory.getbasetemp() / "unit.stl"
    path.write_bytes(stl_bytes(ball(size, 2)))
    plain, scaled = read_mesh(path), read_mesh(path, unit=unit)
    k = MM_PER[unit]
    assert scaled.size_mm == pytest.approx(k * plain.size_mm)
    assert scaled.area_mm2 == pytest.approx(k**2 * plain.area_mm2)
    assert scaled.volume_mm3 == pytest.approx(k**3 * plain.volume_mm3)
