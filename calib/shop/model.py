"""What a shop is made of: frozen records, filled by ``read_shop``. No logic beyond look-ups."""

from __future__ import annotations

from dataclasses import dataclass, field
from datetime import date
from typing import Any

from calib.shop.hours import attended_hours


@dataclass(frozen=True)
class Machine:
    """One AM machine.

    kind : 'extruder' (MEX), 'masked' or 'scanned' (VPP: light through a mask, or a laser), 'laser_bed' (PBF)
    build_mm : greatest part or build, x, y, z [mm]
    materials : ids of materials it can run; the first is the default
    params : every physical parameter of its kind, defaults filled in; names carry units (keys.py lists them)
    dated : parameters by day, oldest first: ``(since, {name: value})``; a changed speed does not rewrite last year
    lights_out : may run with nobody in the building
    owned : False for a machine that is only thought of
    chambers : removable build chambers (PBF); 1 means that the bed stays in the machine
    cutoffs : days and times at which a build is closed, e.g. ('Tue 16:00',); empty: whenever it is full or asked
    """

    id: str
    process: str
    kind: str
    build_mm: tuple[float, float, float]
    materials: tuple[str, ...]
    params: dict[str, float]
    dated: tuple[tuple[date, dict[str, float]], ...] = ()
    lights_out: bool = True
    owned: bool = True
    chambers: int = 1
    cutoffs: tuple[str, ...] = ()
    rate_per_h: float | None = None

    def params_on(self, day: date | None) -> dict[str, float]:
        """Parameters as they were on a day; None: after every change."""
        changes = [change for since, change in self.dated if day is None or since <= day]
        return {name: value for params in (self.params, *changes) for name, value in params.items()}


@dataclass(frozen=True)
class Material:
    """One material; floors are the data sheet's: minutes or degC, None where unknown.

    fit_for : needs it meets ('outdoor', 'clear', ...), as the shop states them; None where nothing was stated
    params : physical parameters of its process (density, working curve, ...), defaults filled in
    floors : cool_to_c, cool_floor_min, wash_floor_min, dry_floor_min, cure_floor_min, rinse_floor_min
    """

    id: str
    process: str
    params: dict[str, float]
    floors: dict[str, float | None] = field(default_factory=dict)
    floor_source: str = ""
    fit_for: tuple[str, ...] | None = None
    price_per_kg: float | None = None


@dataclass(frozen=True)
class Station:
    """A bath, chamber, oven, cabinet or bench.

    stages : what is done there
    places : runs that it can hold at once
    """

    id: str
    stages: tuple[str, ...]
    places: int = 1
    params: dict[str, float] = field(default_factory=dict)


@dataclass(frozen=True)
class Crew:
    """People who can do the same work.

    size : how many of them are there in their hours
    stages : what they can do; empty: everything
    hours : as the shop's; None: the shop's own
    """

    id: str
    size: int = 1
    stages: tuple[str, ...] = ()
    rate_per_h: float | None = None
    hours: tuple[tuple[tuple[int, int], ...], ...] | None = None


@dataclass(frozen=True, eq=False)
class Shop:
    """The shop file, read and checked, with every default filled in.

    hours : per weekday (0 Monday .. 6 Sunday) opening spans as minutes of the local day, e.g. ((480, 1020),);
        None where the shop states none
    closures : closed days
    routes : process -> stages in order
    always_logged : stages whose absence from a log means that they were not done
    rates : bench and other rates, by stage: stage -> {key with unit: value}
    cautions : stage -> what the shop says to take care of, beside what the trade does
    people_months : who worked is kept for so many months; None: always
    dropped_columns : columns of logs that are never stored
    currency : e.g. 'EUR', or None where no rates are given
    version : digest of the shop file, for caching
    warnings : sentences about what was accepted with a doubt
    """

    name: str
    timezone: str
    hours: tuple[tuple[tuple[int, int], ...], ...] | None
    closures: tuple[date, ...]
    machines: dict[str, Machine]
    materials: dict[str, Material]
    stations: dict[str, Station]
    crews: dict[str, Crew]
    routes: dict[str, tuple[str, ...]]
    always_logged: tuple[str, ...]
    rates: dict[str, dict[str, float]]
    cautions: dict[str, str] = field(default_factory=dict)
    people_names: str = "alias"
    people_months: int | None = None
    dropped_columns: tuple[str, ...] = ()
    currency: str | None = None
    costs: dict[str, float] = field(default_factory=dict)
    quoting: dict[str, Any] = field(default_factory=dict)
    drift: dict[str, Any] = field(default_factory=dict)
    version: str = ""
    warnings: tuple[str, ...] = ()

    @property
    def attended(self) -> tuple[tuple[tuple[int, int], ...], ...] | None:
        """When somebody is there, a crew at least; None: always."""
        return attended_hours(self.hours, [crew.hours for crew in self.crews.values()])
