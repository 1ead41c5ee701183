"""Damaged files of every kind that calib reads: a result, or a sentence. Seeded; what failed is printed with its seed.

The figures are printed: pytest -m slow -s tests/test_fuzz.py
"""

from __future__ import annotations

import os
import random
import re
from collections.abc import Callable
from pathlib import Path

import pytest
import trimesh

from calib.errors import CalibError
from calib.geometry.read_mesh import read_mesh
from calib.geometry.supports import find_supports
from calib.logs.propose import propose_mapping
from calib.logs.read_mapping import read_mapping
from calib.logs.read_plan import read_plan
from calib.logs.read_table import read_tables
from calib.shop.patch import patched
from calib.shop.read_shop import shop_from_text
from calib.shop.template import shop_text
from calib.workflow.order import read_order

pytestmark = [pytest.mark.slow, pytest.mark.filterwarnings("ignore")]
TIMES = int(os.environ.get("CALIB_FUZZ", "150"))  # files of each kind
SHOP = shop_text("Europe/London")
LOG = b"Job;Step;Begin;Finish;Who;Mins\nB1;printing;05.01.2026 08:00;05.01.2026 12:00;Ada;240\nB2;packing;06.01.2026 08:00;;;\n"
MAPPING = b"""kind = "stages"
decimal = ","
zone = "Europe/London"
overnight = false
[columns]
build_id = "Job"
stage = ["Step"]
started_at = "Begin"
ended_at = "Finish"
work_min = "Mins"
[formats]
started_at = "%d.%m.%Y %H:%M"
[units]
work_min = "min"
[stages]
"print" = "printing"
[defaults]
station = "M1"
[words.outcome]
ok = "done"
"""
EVENTS = b"""kind = "stages"
[columns]
build_id = "Job"
[start_stop]
event = "Step"
at = ["Begin"]
same = ["Job"]
start = "printing"
stop = ["packing"]
"""
PATCH = b'[[machine]]\nid = "mex1"\nlayer_mm = 0.3\n[hours]\nMon = "08:00-17:00"\n[rates.sanding]\nstart_min = 3\n[[material]]\nid = "x"\nprocess = "VPP"\n'
ORDER = b"part_file,qty,finish,material\na.stl,3,as_built,petg+pla\nb.stl,1,,\n"
ORDER_TOML = b'[[part]]\npart_file = "a.stl"\nqty = 3\nneeds = ["a", "b"]\n'
PLAN = b"build_id,process,machine,parts,part_volume_cm3,planned,difficulty\nB1,MEX,mex1,3,12.5,true,plain\n"
STREAM = (
    b'<MTConnectStreams><Header instanceId="1" firstSequence="2" nextSequence="9"/><Streams><DeviceStream name="M1">'
    b'<Execution timestamp="2026-01-05T08:00:00Z">ACTIVE</Execution><Program timestamp="2026-01-05T08:00:00Z">B1</Program>'
    b'<Execution timestamp="2026-01-05T09:00:00Z">READY</Execution></DeviceStream></Streams></MTConnectStreams>'
)
LINES = b'{"build_id": "B1", "stage": "packing", "started_at": "2026-01-06T08:00", "parts": 3}\n' * 2
ODD = [
    b"[]", b"{}", b'""', b"[[]]", b'[1, "a"]', b"{a = {b = 1}}", b"1e400", b"nan", b"-inf", b"9" * 400, b"9" * 5000, b"2026-01-05",
    b"08:30:00", b"true", b'"\\u0000"', b'"' + b"a" * 4000 + b'"', b"-1", b"0", b'["a", ["b"]]', b"[" * 60 + b"]" * 60, b'"%"', b'"%Q"',
    b"2026-01-05T08:30:00+99:99", b"0x7fffffffffffffffff", b"'\xff'", b'"\xc2\x85"', b"null", b"2026-01-05T08:00", b"\x00", b'"a\\nb"',
]  # fmt: skip


def mesh_of(form: str) -> bytes:
    data = trimesh.creation.box((3, 4, 5)).export(file_type=form)
    return data if isinstance(data, bytes) else data.encode()


def damaged(content: bytes, draw: random.Random) -> bytes:
    """A value, a cell or an attribute replaced by an odd one; or bytes taken out, put in, doubled."""
    values = [found.span(1) for found in re.finditer(rb'(?:= *|[,;:>] *|")([^\n,;<"]+)', content)]
    if values and draw.random() < 0.6:
        low, high = draw.choice(values)
        return content[:low] + draw.choice(ODD) + content[high:]
    low, high = sorted(draw.randrange(len(content) + 1) for _ in range(2))
    match draw.randrange(4):
        case 0:
            return content[:low] + content[high:]
        case 1:
            return content[:low] + draw.choice(ODD) + content[low:]
        case 2:
            return content[:high] + content[low:]
        case _:
            return content[:low] + bytes([draw.randrange(256)]) + content[low + 1 :]


def mapped(path: Path) -> None:
    mapping = read_mapping(path)
    log = path.with_name("log.csv")
    log.write_bytes(LOG)
    read_tables(log, [mapping], path.parent)


def measured(path: Path) -> None:
    find_supports(read_mesh(path).triangles, 45.0)


def as_text(read: Callable[[str], object]) -> Callable[[Path], object]:
    return lambda path: read(path.read_bytes().decode("utf-8", "replace"))


KINDS: dict[str, tuple[str, list[bytes], Callable[[Path], object]]] = {
    "mapping": ("a.toml", [MAPPING, EVENTS], mapped),
    "shop file": ("shop.toml", [SHOP.encode()], as_text(shop_from_text)),
    "patch": ("a.toml", [PATCH], lambda path: patched(SHOP, path)),
    "order": ("a.csv", [ORDER], read_order),
    "order in TOML": ("a.toml", [ORDER_TOML], read_order),
    "plan": ("a.csv", [PLAN], read_plan),
    "foreign log, to propose a mapping": ("a.csv", [LOG], lambda path: propose_mapping(path, {"mex1": "MEX"}, ("bench",))),
    "stream": ("a.xml", [STREAM], lambda path: read_tables(path, (), path.parent)),
    "JSON lines": ("a.jsonl", [LINES], lambda path: read_tables(path, (), path.parent)),
    **{f"mesh, {form}": (f"a.{form}", [mesh_of(form)], measured) for form in ("stl", "3mf", "obj", "ply")},
}  # fmt: skip


@pytest.mark.parametrize("kind", KINDS)
def test_damaged_files_are_read_or_named(tmp_path, kind):
    name, good, read = KINDS[kind]
    failures = []
    for seed in range(TIMES):
        draw = random.Random(f"{kind} {seed}")
        content = draw.choice(good)
        for _ in range(draw.choice([1, 1, 1, 2, 4])):
            content = damaged(content, draw)
        path = tmp_path / name
        path.write_bytes(content)
        try:
            read(path)
        except CalibError as error:
            if len(str(error)) > 6000:
                failures.append(f"{seed}: a sentence of {len(str(error))} letters")
        except Exception as error:
            where = error.__traceback__
            while where.tb_next is not None:
                where = where.tb_next
            failures.append(
                f"{seed}: {type(error).__name__}: {str(error)[:100]} ({where.tb_frame.f_code.co_filename}:{where.tb_lineno})"
            )
    print(f"\n{kind}: {TIMES} damaged files, {len(failures)} failed")
    assert not failures, "\n".join(failures)
