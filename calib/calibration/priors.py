"""What other labs say of a lab's effects before its first run: means and spreads in the place of zero and a guess.

A fit with priors is the same fit: each effect's normal law has the other labs' mean, and each block's variance starts from how
much labs differ. Its own runs speak against that as they would against zero; and where the first of them are farther from it than
from a fit without priors, none are used (``own_first_runs``).
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from calib.errors import UsageError

LOCATION, SCALE = "location", "scale"
BUILD = "build"  # among the spreads: of what the runs of one build share
MOST = 3.0  # log units: twenty times the baseline or a twentieth; beyond it is a mistake


@dataclass(frozen=True)
class Priors:
    """Laws of effects; hashable, for they are one of the options of a fit.

    means : (part, block, labels, mean), part LOCATION (of log(actual / baseline)) or SCALE (of the log of the noise's scale);
        labels are those of the block's keys, for a cell those of the group; 'attended' is '0' or '1'
    sds : (part, block, sd, weight), how much the block's effects differ, and the number of effects that this is worth
        (of BUILD the model says itself what it is worth)
    """

    means: tuple[tuple[str, str, tuple[str, ...], float], ...] = ()
    sds: tuple[tuple[str, str, float, float], ...] = ()

    def __post_init__(self) -> None:
        for part, block, labels, mean in self.means:
            if not abs(mean) <= MOST:
                raise UsageError(f"Prior of {part} {block} {' '.join(labels)}: a mean of {mean} is no log ratio.")
        for part, block, sd, weight in self.sds:
            if not (0 < sd <= MOST and 0 <= weight < 1e6):
                raise UsageError(f"Prior of {part} {block}: an sd of {sd} with weight {weight} cannot be.")

    def of(self, part: str, block: str) -> dict[tuple[str, ...], float]:
        """Means of a block's effects by their labels."""
        return {labels: mean for own, name, labels, mean in self.means if (own, name) == (part, block)}

    def spreads(self, part: str) -> dict[str, tuple[float, float]]:
        """Sd and its weight, by block."""
        return {block: (sd, weight) for own, block, sd, weight in self.sds if own == part}


def priors_from(document: Mapping[str, Any], machines: Mapping[str, str]) -> Priors:
    """Priors of one lab from a company's laws.

    document : ``laws`` with part, block, labels, mean; ``spreads`` with part, block, sd, weight. The block 'machine_kind' is
        of kinds of machines; here it becomes that of the lab's machines
    machines : machine of the lab -> its kind
    Raises UsageError where something is missing or out of any range.
    """
    try:
        means = [law for one in document["laws"] for law in _of_this_lab(one, machines)]
        sds = [
            (str(one["part"]), str(one["block"]), float(one["sd"]), float(one["weight"])) for one in document["spreads"]
        ]
    except (KeyError, TypeError, ValueError, IndexError) as error:
        raise UsageError(
            f"The prior file has another form than calib writes ({type(error).__name__}: {error}).",
            "Have it written anew: calib sites fit.",
        ) from None
    return Priors(tuple(means), tuple(sds))


def _of_this_lab(law: Mapping[str, Any], machines: Mapping[str, str]) -> list[tuple[str, str, tuple[str, ...], float]]:
    part, block, labels, mean = str(law["part"]), str(law["block"]), tuple(map(str, law["labels"])), float(law["mean"])
    if block != "machine_kind":
        return [(part, block, labels, mean)]
    return [(part, "machine", (name, labels[1]), mean) for name, kind in sorted(machines.items()) if kind == labels[0]]
