"""Wall and CPU time of a quote and a comparison: three processes, 12 machines, 5,000 draws, a part of 100,000 faces.

Run: python bench/bench_quote.py
Each figure is that of a fresh Python, imports included, after one run to warm the disk's cache. Cost must grow at
most linearly with builds and draws: that is shown as ratios of CPU time in one process.
"""

from __future__ import annotations

import resource
import subprocess
import sys
import tempfile
import time
from collections.abc import Collection
from pathlib import Path

import numpy as np

RUN = """
import sys, time
begun = time.perf_counter()
from datetime import datetime
from pathlib import Path
from zoneinfo import ZoneInfo
from calib.calibration.calibrator import Calibrator
from calib.calibration.failures import Failures
from calib.calibration.waits import Waits
from calib.geometry.read_mesh import read_mesh
from calib.quoting.compare import compare
from calib.quoting.document import quote
from calib.quoting.learned import Learned
from calib.quoting.request import OrderLine, QuoteRequest
from calib.shop.read_shop import read_shop
folder = Path(sys.argv[1])
imports = time.perf_counter() - begun
shop, mesh = read_shop(folder), read_mesh(folder / "part.stl")
reading = time.perf_counter() - begun - imports
request = QuoteRequest((OrderLine(60),), datetime(2026, 11, 25, 11, tzinfo=ZoneInfo(shop.timezone)))
learned = Learned(Calibrator(prior_only=True), Waits(), Failures())
if sys.argv[2] == "quote":
    quote(request, shop, [mesh], learned)
else:
    compare(request, list(range(3, 63, 3)), shop, mesh, learned)
print(f"imports {imports:.2f} s, reading {reading:.2f} s, rest {time.perf_counter() - begun - imports - reading:.2f} s")
"""


def write_shop(folder: Path, machines: int = 4, processes: Collection[str] = ("MEX", "VPP", "PBF")) -> None:
    """A shop with so many machines of each process."""
    kinds = {
        "extruder": ("MEX", [250, 210, 210], "pla"),
        "masked": ("VPP", [190, 120, 240], "r"),
        "laser_bed": ("PBF", [300, 300, 300], "pa"),
    }
    text = '[shop]\nname = "bench"\ntimezone = "Europe/Berlin"\n[hours]\n'
    text += "".join(f'{day} = ["08:00-17:00"]\n' for day in ("mon", "tue", "wed", "thu", "fri"))
    text += '[[crew]]\nid = "bench"\nsize = 3\n'
    for kind, (process, build, material) in kinds.items():
        if process not in processes:
            continue
        for number in range(machines):
            text += f'[[machine]]\nid = "{kind}_{number}"\nprocess = "{process}"\nkind = "{kind}"\nbuild_mm = {build}\n'
            text += f'materials = ["{material}"]\n'
    for material, process in (("pla", "MEX"), ("r", "VPP"), ("pa", "PBF")):
        if process in processes:
            text += f'[[material]]\nid = "{material}"\nprocess = "{process}"\n'
    (folder / "shop.toml").write_text(text, encoding="utf-8")


def write_part(path: Path, rings: int = 224) -> None:
    """A wavy closed body of 2 rings^2 faces as binary STL, about 60 x 60 x 40 mm."""
    around, along = np.meshgrid(np.linspace(0, 2 * np.pi, rings + 1), np.linspace(0, 2 * np.pi, rings + 1))
    tube = 8 + 0.6 * np.sin(7 * around) * np.cos(5 * along)
    x, y = (22 + tube * np.cos(along)) * np.cos(around), (22 + tube * np.cos(along)) * np.sin(around)
    points = np.stack([x, y, 2.2 * tube * np.sin(along)], axis=2)
    points[-1], points[:, -1] = points[0], points[:, 0]
    a, b, c, d = points[:-1, :-1], points[:-1, 1:], points[1:, 1:], points[1:, :-1]
    faces = np.concatenate([np.stack([a, b, c], 2).reshape(-1, 3, 3), np.stack([a, c, d], 2).reshape(-1, 3, 3)])
    record = np.zeros(len(faces), [("normal", "<f4", 3), ("corner", "<f4", (3, 3)), ("rest", "<u2")])
    record["corner"] = faces
    path.write_bytes(b" " * 80 + np.uint32(len(faces)).tobytes() + record.tobytes())


GROWTH = """
import sys, time
from dataclasses import replace
from datetime import datetime
from pathlib import Path
from zoneinfo import ZoneInfo
from calib.calibration.calibrator import Calibrator
from calib.calibration.failures import Failures
from calib.calibration.waits import Waits
from calib.geometry.read_mesh import read_mesh
from calib.quoting.learned import Learned
from calib.quoting.plan import plan_options
from calib.quoting.request import OrderLine, QuoteRequest
from calib.quoting.shape import ShapeFinder
from calib.shop.read_shop import read_shop
folder = Path(sys.argv[1])
shop, shapes = read_shop(folder), [ShapeFinder(read_mesh(folder / "part.stl"))]
start = datetime(2026, 11, 25, 11, tzinfo=ZoneInfo(shop.timezone))
learned = Learned(Calibrator(prior_only=True), Waits(), Failures())

def seconds(quantity, draws):
    begun = time.process_time()
    planned, _, _ = plan_options(QuoteRequest((OrderLine(quantity),), start), shop, shapes, learned, (), 0, draws)
    return time.process_time() - begun, sum(len(one.option.builds) for one in planned)

seconds(60, 200)
base, builds = seconds(120, 1000)
for quantity, draws in ((120, 4000), (480, 1000)):
    took, more = seconds(quantity, draws)
    print(f"growth: {draws / 1000:.0f} x the draws, {more / builds:.1f} x the builds: {took / base:.1f} x the CPU time")
"""


def children_cpu() -> float:
    spent = resource.getrusage(resource.RUSAGE_CHILDREN)
    return spent.ru_utime + spent.ru_stime


def main() -> None:
    with tempfile.TemporaryDirectory() as folder:
        write_shop(Path(folder))
        write_part(Path(folder) / "part.stl")
        for what in ("quote", "quote", "compare"):
            begun, spent = time.perf_counter(), children_cpu()
            done = subprocess.run(
                [sys.executable, "-c", RUN, folder, what], stdout=subprocess.PIPE, text=True, check=True
            )
            clock, cpu = time.perf_counter() - begun, children_cpu() - spent
            print(f"{what}: {clock:.2f} s, {cpu:.2f} s of CPU ({done.stdout.strip()})", flush=True)
        subprocess.run([sys.executable, "-c", GROWTH, folder], check=True)


if __name__ == "__main__":
    main()
