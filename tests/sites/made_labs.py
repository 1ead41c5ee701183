"""Small labs of one company: logs drawn from one law, each lab a little apart; imported by calib's own import."""

from __future__ import annotations

from datetime import datetime, timedelta
from pathlib import Path

import numpy as np

from calib.shop.template import shop_text
from calib.workflow.import_logs import import_logs

STAGES = (("file_prep", 15, True), ("printing", 240, False), ("unloading", 8, True), ("support_removal", 25, True))
FIRST_DAY = datetime(2026, 1, 5, 8)


def write_logs(folder: Path, seed: int, weeks: int, first: int = 0) -> list[Path]:
    """Logs of the weeks from ``first``, as the lab of that seed would write them."""
    builds, stages = ["build_id,process,machine,parts,material"], ["build_id,stage,started_at,ended_at,operator"]
    for week in range(first, first + weeks):
        rng = np.random.default_rng([seed, week])
        for number in range(6):
            build, begin = f"L{seed}-{week}-{number}", FIRST_DAY + timedelta(days=7 * week + number)
            builds.append(f"{build},MEX,m{number % 2 + 1},{1 + number},pla")
            for name, minutes, by_hand in STAGES:
                end = begin + timedelta(minutes=minutes * float(np.exp(rng.normal(0.1 * seed, 0.15))))
                stages.append(
                    f"{build},{name},{begin:%Y-%m-%dT%H:%M:%S},{end:%Y-%m-%dT%H:%M:%S},{'Ada' if by_hand else ''}"
                )
                begin = end
    paths = [folder / f"builds-{first}.csv", folder / f"stages-{first}.csv"]
    for path, lines in zip(paths, (builds, stages), strict=True):
        path.write_text("\n".join(lines) + "\n", encoding="utf-8")
    return paths


def make_lab(folder: Path, seed: int, weeks: int = 6) -> Path:
    folder.mkdir(parents=True)
    (folder / "shop.toml").write_text(shop_text("UTC"), encoding="utf-8")
    import_logs(folder, write_logs(folder, seed, weeks))
    return folder
