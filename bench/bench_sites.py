"""What a company's laws give to a new site, to one unlike the others, and whether their ranges hold.

python bench/bench_sites.py [--sites 16] [--new 10] [--seed 1] [--quick]

Constants of the laws were chosen on the company and sites of seed 1; any other seed has a law and sites of its own.

Each site is a lab of ``simulator`` whose cells have, beside its own, the company's offset and scale. A new site has logged its
first 30 runs; the rest of its first month is predicted without priors, with the company's, and with 40 weeks of its own logs.
"""

from __future__ import annotations

import argparse
import time

import numpy as np
import pandas as pd
from simulator import CELLS, Lab, simulate

from calib.calibration.calibrator import Calibrator
from calib.calibration.priors import Priors, priors_from
from calib.sites.laws import BETWEEN, prior_document

HISTORY, MONTH = 40, 4  # weeks
OFFSET_SD, SCALE_SD, UNLIKE_SD = 0.4, 0.3, 0.6  # of the company's law, and of a site unlike it (log; assumptions)
LIKENESS = {
    "much alike": 0.25,
    "alike": 0.5,
    "less alike": 1.0,
}  # share of its own deviation that a lab of the simulator keeps
ALIKE = 0.5
FIRST = (10, 30, 100)
PERSON = {(process, stage): person for process, stage, person, *_ in CELLS}


def company_law(seed: int) -> tuple[np.ndarray, np.ndarray]:
    """Offset and log of the scale of each cell that all sites of the company share."""
    rng = np.random.default_rng([77, seed])
    return rng.normal(0, OFFSET_SD, len(CELLS)), rng.normal(0, SCALE_SD, len(CELLS))


def site_of(
    seed: int, law: tuple[np.ndarray, np.ndarray], weeks: int, keeps: float = ALIKE, builds: float = 10.0
) -> Lab:
    """A lab under the company's law: its noise is scaled, what its cells are apart is kept in part, then all are moved."""
    lab = simulate(1000 + seed, weeks, builds)
    cell = lab.truth["cell"].to_numpy()
    noise = lab.truth["y"] - lab.truth["location"]
    y = (
        lab.truth["location"]
        - (1 - keeps) * lab.truth.groupby("cell")["location"].transform("mean")
        + np.where(lab.truth["gross"] | lab.truth["stopped"], noise, noise * np.exp(law[1][cell]))
        + law[0][cell]
    )
    lab.runs["actual_min"] = lab.runs["baseline_min"] * np.exp(y)
    return lab


def is_attended(labels: tuple[str, ...]) -> bool:
    return PERSON[labels[0], labels[1]]


def company_effects(sites: int, law: tuple[np.ndarray, np.ndarray], keeps: float, first: int = 0) -> pd.DataFrame:
    made = []
    for number in range(sites):
        lab = site_of(first + number, law, HISTORY, keeps)
        made.append(Calibrator(trees=False).fit(lab.runs).own_effects(is_attended).assign(site=f"S{number:03d}"))
    effects = pd.concat(made, ignore_index=True)
    return effects[~effects["block"].isin(["machine", "material"])]  # each simulated site has its own


def score(model: Calibrator, rows: pd.DataFrame) -> tuple[float, float]:
    """Interval score of the 80 % range of the log [-], and its coverage."""
    ranges = np.log(model.predict_quantiles(rows, quantiles=(0.1, 0.9))[[0.1, 0.9]].to_numpy())
    y = np.log(rows["actual_min"].to_numpy())
    below, above = np.maximum(ranges[:, 0] - y, 0), np.maximum(y - ranges[:, 1], 0)
    inside = (y >= ranges[:, 0]) & (y <= ranges[:, 1])
    return float(np.mean(ranges[:, 1] - ranges[:, 0] + 10 * (below + above))), float(inside.mean())


def new_site(seed: int, law: tuple[np.ndarray, np.ndarray], priors: Priors, keeps: float = ALIKE) -> pd.DataFrame:
    lab = site_of(seed, law, HISTORY + MONTH, keeps)
    order = lab.runs["ended_at"].argsort(kind="stable")
    runs, week = lab.runs.iloc[order], lab.truth["week"].to_numpy()[order]
    past, month = runs[week < HISTORY], runs[week >= HISTORY]
    rows = []
    for first in FIRST:
        seen, later = month.iloc[:first], month.iloc[first:]
        later = later[~later["censored"]]
        later = later[~later["build_id"].isin(seen["build_id"])]
        models = {
            "none": Calibrator(trees=False).fit(seen),
            "prior": Calibrator(priors=priors, trees=False).fit(seen),
            "history": Calibrator(trees=False).fit(pd.concat([past, seen])),
        }
        rows += [(first, name, *score(model, later), len(later)) for name, model in models.items()]
    return pd.DataFrame(rows, columns=["first", "model", "score", "inside", "rows"])


def show(what: str, found: pd.DataFrame) -> None:
    print(what)
    for first, group in found.groupby("first"):
        mean = group.groupby("model")["score"].mean()
        inside = group.groupby("model").apply(lambda one: np.average(one["inside"], weights=one["rows"]))
        lost = mean["none"] - mean["history"]
        print(
            f"    after {first:3d} runs: score none {mean['none']:.3f}, prior {mean['prior']:.3f}, history {mean['history']:.3f}; "
            f"of the loss of having no history {100 * (mean['prior'] - mean['history']) / lost:.0f} % stay; "
            f"80 % holds {100 * inside['none']:.1f}, {100 * inside['prior']:.1f}, {100 * inside['history']:.1f}"
        )


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--sites", type=int, default=16)
    parser.add_argument("--new", type=int, default=10)
    parser.add_argument("--seed", type=int, default=1, help="of the company's law and its sites")
    parser.add_argument("--quick", action="store_true", help="8 sites, 3 new ones")
    options = parser.parse_args()
    sites, new = (8, 3) if options.quick else (options.sites, options.new)
    start = time.process_time()
    law, from_seed = company_law(options.seed), 10_000 * (options.seed - 1)
    for what, keeps in LIKENESS.items():
        document = prior_document(company_effects(sites, law, keeps, from_seed))
        priors = priors_from(document, {})
        spreads = [
            f"{one['part']} {one['block']} {one['sd']}" for one in document["spreads"] if one["block"] in BETWEEN
        ]
        print(
            f"Sites {what}: {len(document['laws'])} laws of {sites} sites; between them {', '.join(spreads)}",
            flush=True,
        )
        show("  a new one", pd.concat([new_site(from_seed + 500 + i, law, priors, keeps) for i in range(new)]))
        if keeps == ALIKE:
            rng = np.random.default_rng(8 + options.seed)
            other = [(rng.normal(0, UNLIKE_SD, len(CELLS)), rng.normal(0, SCALE_SD, len(CELLS))) for _ in range(new)]
            show(
                "  one unlike all of them",
                pd.concat([new_site(from_seed + 700 + i, own, priors) for i, own in enumerate(other)]),
            )
    print(f"{time.process_time() - start:.0f} s of processor time")


if __name__ == "__main__":
    main()
