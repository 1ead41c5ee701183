"""Files that are made to harm: without end, or far larger inside than outside. Each is written by one function."""

from __future__ import annotations

import os
import socket
import struct
import zipfile
from collections.abc import Callable
from pathlib import Path

STAGES = "build_id,stage,started_at,ended_at\n"
LONG = "a" * 4000
RELS_3MF = (
    '<Relationships xmlns="http://schemas.openxmlformats.org/package/2006/relationships"><Relationship Id="r" '
    'Type="http://schemas.microsoft.com/3dmanufacturing/2013/01/3dmodel" Target="/m.model"/></Relationships>'
)


def zip_of(path: Path, **members: str | bytes) -> None:
    with zipfile.ZipFile(path, "w", zipfile.ZIP_DEFLATED) as archive:
        for name, content in members.items():
            archive.writestr(name, content)


def xlsx(path: Path, sheet: str, strings: str = "") -> None:
    rel = "http://schemas.openxmlformats.org/officeDocument/2006/relationships"
    main = "http://schemas.openxmlformats.org/spreadsheetml/2006/main"
    package = "http://schemas.openxmlformats.org/package/2006/relationships"
    zip_of(
        path,
        **{
            "[Content_Types].xml": '<Types xmlns="http://schemas.openxmlformats.org/package/2006/content-types"/>',
            "_rels/.rels": f'<Relationships xmlns="{package}"><Relationship Id="r1" Type="{rel}/officeDocument" '
            'Target="xl/workbook.xml"/></Relationships>',
            "xl/workbook.xml": f'<workbook xmlns="{main}" xmlns:r="{rel}"><sheets><sheet name="a" sheetId="1" r:id="r1"/>'
            "</sheets></workbook>",
            "xl/_rels/workbook.xml.rels": f'<Relationships xmlns="{package}"><Relationship Id="r1" Type="{rel}/worksheet" '
            f'Target="worksheets/sheet1.xml"/><Relationship Id="r2" Type="{rel}/sharedStrings" Target="sharedStrings.xml"/>'
            "</Relationships>",
            "xl/sharedStrings.xml": f'<sst xmlns="{main}">{strings}</sst>',
            "xl/worksheets/sheet1.xml": f'<worksheet xmlns="{main}">{sheet}</worksheet>',
        },
    )


def repeated_string(path: Path) -> None:
    cells = "".join(
        f'<row r="{row}">{"<c t=" + chr(34) + "s" + chr(34) + "><v>0</v></c>"}</row>' for row in range(1, 20_001)
    )
    xlsx(path, f"<sheetData>{cells}</sheetData>", f"<si><t>{'x' * 200_000}</t></si>")


def far_cell(path: Path) -> None:
    xlsx(path, '<dimension ref="A1:XFD1048576"/><sheetData><row r="1"><c r="A1"><v>1</v></c></row></sheetData>')


def odd_cell(path: Path) -> None:
    cells = '<row r="1"><c r="A1"><v>1</v></c></row><row r="4294967295"><c r="ZZZZZZZ4294967295"><v>1</v></c></row>'
    xlsx(path, f"<sheetData>{cells}</sheetData>")


def ods(path: Path) -> None:
    office = "urn:oasis:names:tc:opendocument:xmlns"
    rows = (
        '<table:table-row table:number-rows-repeated="1000000"><table:table-cell table:number-columns-repeated="1000" '
        'office:value-type="string"><text:p>x</text:p></table:table-cell></table:table-row>'
    )
    content = (
        f'<office:document-content xmlns:office="{office}:office:1.0" xmlns:table="{office}:table:1.0" '
        f'xmlns:text="{office}:text:1.0"><office:body><office:spreadsheet><table:table table:name="a">{rows}</table:table>'
        "</office:spreadsheet></office:body></office:document-content>"
    )
    kind = "application/vnd.oasis.opendocument.spreadsheet"
    manifest = (
        f'<manifest:manifest xmlns:manifest="{office}:manifest:1.0"><manifest:file-entry manifest:full-path="/" '
        f'manifest:media-type="{kind}"/></manifest:manifest>'
    )
    zip_of(path, **{"mimetype": kind, "META-INF/manifest.xml": manifest, "content.xml": content})


def parquet(path: Path) -> None:
    import duckdb

    columns = ", ".join(f"'B1' AS c{number}" for number in range(40))
    duckdb.sql(
        f"COPY (SELECT 'B1' AS build_id, {columns} FROM range(1000000)) TO '{path}' (FORMAT parquet, CODEC zstd)"
    )


def distinct_keys(path: Path) -> None:
    path.write_text("".join(f'{{"k{row}": 1}}\n' for row in range(3_500)))


def long_json(path: Path) -> None:
    path.write_text("[" * 100_000)


def flat_xml(path: Path) -> None:
    path.write_bytes(b"<MTConnectStreams>" + b"<a/>" * 3_000_000 + b"</MTConnectStreams>")


def deep_xml(path: Path) -> None:
    path.write_bytes(b"<a>" * 1_000_000)


def joined_ids(path: Path) -> None:
    rows = "".join(
        f"{'+'.join(f'B{i}' for i in range(100_000))},packing,2026-01-{day:02d}T08:00,\n" for day in (1, 2, 3)
    )
    path.write_text(STAGES + rows)


def one_line(path: Path) -> None:
    path.write_text(STAGES + "x" * 60_000_000)


def quotes(path: Path) -> None:
    path.write_text(STAGES + '"\n' * 200_000)


def packed(path: Path) -> None:
    import bz2
    import gzip

    pack = bz2.compress if path.suffix == ".bz2" else gzip.compress
    path.write_bytes(pack(STAGES.encode() + b"x" * 40_000_000, 1) + pack(b"x" * 40_000_000, 1) * 10)


def ids_by_the_row(path: Path) -> None:
    """As many in a row as may be, and none of them twice."""
    rows = ("+".join(f"B{row}_{i}" for i in range(999)) for row in range(500))
    path.write_text(STAGES + "".join(f"{ids},packing,2026-01-02T08:00,\n" for ids in rows))


def deep_step(path: Path) -> None:
    head = "ISO-10303-21;\nHEADER;\nFILE_DESCRIPTION((''),'2;1');\nFILE_NAME('','',(''),(''),'','','');\n"
    path.write_text(
        f"{head}FILE_SCHEMA(('X'));\nENDSEC;\nDATA;\n#1=A({'(' * 3_000_000}{')' * 3_000_000});\nENDSEC;\nEND-ISO-10303-21;\n"
    )


def big_3mf(path: Path) -> None:
    core = "http://schemas.microsoft.com/3dmanufacturing/core/2015/02"
    vertices = '<vertex x="1" y="2" z="3"/>' * 3_000_000
    mesh = f"<mesh><vertices>{vertices}</vertices><triangles/></mesh>"
    model = f'<model xmlns="{core}"><resources><object id="1">{mesh}</object></resources><build><item objectid="1"/></build></model>'
    zip_of(path, **{"_rels/.rels": RELS_3MF, "m.model": model})


def components_3mf(path: Path) -> None:
    """Each object holds the one before ten times: 10 ** 12 triangles."""
    core = "http://schemas.microsoft.com/3dmanufacturing/core/2015/02"
    corners = '<vertex x="0" y="0" z="0"/><vertex x="1" y="0" z="0"/><vertex x="0" y="1" z="0"/>'
    first = f'<object id="1"><mesh><vertices>{corners}</vertices><triangles><triangle v1="0" v2="1" v3="2"/></triangles></mesh></object>'
    others = "".join(
        f'<object id="{number}"><components>{f"""<component objectid="{number - 1}"/>""" * 10}</components></object>'
        for number in range(2, 14)
    )
    model = f'<model xmlns="{core}"><resources>{first}{others}</resources><build><item objectid="13"/></build></model>'
    zip_of(path, **{"_rels/.rels": RELS_3MF, "m.model": model})


def large_stl(path: Path) -> None:
    """A sphere of 4.84 million faces, as many as may be."""
    import trimesh

    sphere = trimesh.creation.uv_sphere(radius=50, count=(1101, 1100))
    sphere.export(path, file_type="stl")


def ply_that_promises(path: Path) -> None:
    head = "ply\nformat binary_little_endian 1.0\nelement vertex 4000000000\nproperty double x\nproperty double y\nproperty double z\n"
    path.write_text(f"{head}element face 4000000000\nproperty list uchar int vertex_indices\nend_header\n")


def obj_of_points(path: Path) -> None:
    path.write_text("v 0 0 0\n" * 2_000_000 + "f 1 2 3\n")


def stl_that_promises(path: Path) -> None:
    path.write_bytes(b"\0" * 80 + struct.pack("<I", 4_000_000_000) + b"\0" * 5000)


def stl_text_without_facets(path: Path) -> None:
    path.write_text("solid a\nfacet normal\n" + "vertex " * 3_000_000)


def blanks_in_toml(path: Path) -> None:
    path.write_text(f'a = """\n[{" " * 100_000}\n"""\nb = "{"(" * 100_000}"\n')


def blanks_in_shop(path: Path) -> None:
    path.write_text(f'[shop]\ntimezone = "Europe/London"\nname = "[{" " * 10_000}"\nother = """[{" " * 10_000}"""\n')


def many_machines_in_shop(path: Path) -> None:
    machine = '[[machine]]\nid = "m{}"\nprocess = "MEX"\nkind = "extruder"\nbuild_mm = [220, 220, 250]\n'
    path.write_text(
        '[shop]\ntimezone = "Europe/London"\n' + "".join(machine.format(number) for number in range(10_000))
    )


def many_machines(path: Path) -> None:
    path.write_text("".join(f'[[machine]]\nid = "m{number}"\nprocess = "MEX"\n' for number in range(10_000)))


def deep_toml(path: Path) -> None:
    path.write_text(f"kind = {'[' * 900}{']' * 900}\n")


def pipe(path: Path) -> None:
    os.mkfifo(path)


def device(path: Path) -> None:
    path.symlink_to("/dev/zero")


def listening(path: Path) -> None:
    here = os.getcwd()
    os.chdir(path.parent)  # a socket's name is short
    try:
        with socket.socket(socket.AF_UNIX) as bound:
            bound.bind(path.name)
    finally:
        os.chdir(here)


def folder(path: Path) -> None:
    path.mkdir()


def circle(path: Path) -> None:
    path.symlink_to(path.name)


DOORS = {
    "import": "x.csv", "map": "x.csv", "import --map": "x.toml", "quote --if": "x.toml", "measure": "x.stl",
    "quote order": "x.csv", "quote order toml": "x.toml", "predict": "x.csv", "measure 3mf": "x.3mf",
}  # fmt: skip
COMMANDS = {
    "import": "import {0}", "map": "map {0}", "import --map": "import logs --map {0}", "quote --if": "quote part.stl --qty 1 --if {0}",
    "measure": "measure {0}", "quote order": "quote {0}", "quote order toml": "quote {0}", "predict": "predict {0}",
    "measure 3mf": "measure {0}", "quote": "quote part.stl --qty 1",
}  # fmt: skip
ODD_FILES = (pipe, device, listening, folder, circle)

# Which file, under which name, to which command.
BOMBS: tuple[tuple[Callable[[Path], None], str, str], ...] = (
    *((make, "x.xlsx", "import") for make in (repeated_string, far_cell, odd_cell)),
    (ods, "x.ods", "import"),
    (parquet, "x.parquet", "import"),
    (distinct_keys, "x.jsonl", "import"),
    (long_json, "x.json", "import"),
    (flat_xml, "x.xml", "import"),
    (joined_ids, "x.csv", "import"),
    (one_line, "x.csv", "import"),
    (quotes, "x.csv", "import"),
    (packed, "x.csv.gz", "import"),
    (deep_step, "x.step", "measure"),
    (big_3mf, "x.3mf", "measure"),
    (components_3mf, "x.3mf", "measure"),
    (stl_that_promises, "x.stl", "measure"),
    (blanks_in_toml, "x.toml", "import --map"),
    (blanks_in_toml, "x.toml", "quote --if"),
    (many_machines, "x.toml", "quote --if"),
    (deep_toml, "x.toml", "import --map"),
    (deep_toml, "x.toml", "quote --if"),
    (many_machines_in_shop, "shop.toml", "quote"),
)
RARE_BOMBS: tuple[tuple[Callable[[Path], None], str, str], ...] = (
    (deep_xml, "x.xml", "import"),
    (ids_by_the_row, "x.csv", "import"),
    (packed, "x.csv.bz2", "import"),
    (ply_that_promises, "x.ply", "measure"),
    (obj_of_points, "x.obj", "measure"),
    (stl_text_without_facets, "x.stl", "measure"),
    (blanks_in_shop, "shop.toml", "quote"),
)
