"""The shop file -> a Shop with every default filled in, or one error that lists every problem of the file."""

from __future__ import annotations

import re
from collections.abc import Mapping
from functools import lru_cache
from hashlib import sha256
from pathlib import Path as FilePath
from typing import Any
from zoneinfo import ZoneInfo

from calib.errors import ShopFileError
from calib.plain_file import check_plain
from calib.records import PROCESSES, ROUTES, STAGES, process_code
from calib.shop import keys
from calib.shop.check import Problems
from calib.shop.consistency import check_polymer, check_route, check_temperatures, unknown_floors
from calib.shop.hours import read_hours, read_moments, read_shift
from calib.shop.keys import Key
from calib.shop.model import Crew, Machine, Material, Shop, Station
from calib.shop.old_names import take_new_names
from calib.toml_lines import Path, parse_toml

FILE = "shop.toml"
MOST_BYTES = 5_000_000
MOST_ENTRIES = 500  # machines, materials, stations, crews: no lab has more, and each is looked at for every quote
MAKE_ONE = "Make one with: calib init DIR, or name the shop's folder with --shop."
TABLES = (
    "shop", "hours", "people", "machine", "material", "station", "crew", "rates", "costs", "quoting", "drift", "routes",
)  # fmt: skip
_SNAKE = re.compile(r"^[a-z][a-z0-9_]*$")


def read_shop(folder_or_file: FilePath | str) -> Shop:
    """The shop of a folder (its shop.toml) or of a shop file itself.

    Raises ShopFileError that lists every wrong key and value with line and remedy.
    """
    path = FilePath(folder_or_file)
    path = path / FILE if path.is_dir() else path
    return shop_from_text(read_text(path), str(path))


def read_text(path: FilePath, what: str = "shop file", where_else: str = MAKE_ONE) -> str:
    """Text of a TOML file; ShopFileError where there is none, which says ``what`` it is and where to have it."""
    check_plain(path, ShopFileError)
    try:
        if path.stat().st_size > MOST_BYTES:
            raise ShopFileError(f"{path} is larger than a {what} can be ({MOST_BYTES} bytes).", "Is it another file?")
        return path.read_text(encoding="utf-8-sig")
    except FileNotFoundError as error:
        raise ShopFileError(f"There is no {what} {path}.", where_else) from error
    except UnicodeDecodeError as error:
        raise ShopFileError(f"{path} is not UTF-8 text.", "Save it as UTF-8 and try again.") from error
    except OSError as error:
        raise ShopFileError(f"{path} cannot be read: {error.strerror}.", "Check its permissions.") from error


@lru_cache(maxsize=8)
def shop_from_text(text: str, name: str = FILE) -> Shop:
    """The shop that a text describes, the same object for the same text; ``name`` is how errors call it."""
    data, lines = parse_toml(text, name)
    return shop_from_data(data, lines, name, sha256(text.encode()).hexdigest()[:16])


def shop_from_data(data: dict[str, Any], lines: dict[Path, int], name: str, version: str) -> Shop:
    """The shop of parsed TOML."""
    problems = Problems(lines, name)
    problems.known_keys(data, TABLES, ())
    notes = take_new_names(data)
    reader = _Reader(data, problems)
    reader.warnings += notes
    shop = reader.shop(version)
    problems.raise_if_any()
    return shop


class _Reader:
    """Reads one table after another; what is wrong goes to ``problems``."""

    def __init__(self, data: dict[str, Any], problems: Problems) -> None:
        self.data, self.problems = data, problems
        self.warnings: list[str] = []

    def one(self, name: str) -> dict[str, Any]:
        return self.problems.table(self.data.get(name, {}), (name,))

    def many(self, name: str) -> list[dict[str, Any]]:
        entries = self.problems.tables(self.data.get(name, []), (name,))
        if len(entries) > MOST_ENTRIES:
            self.problems.add((name,), f"there are {len(entries)}; at most {MOST_ENTRIES} are read.")
        return entries[:MOST_ENTRIES]

    def shop(self, version: str) -> Shop:
        head = self.one("shop")
        self.problems.known_keys(head, ("name", "timezone", "currency"), ("shop",))
        hours, closures = read_hours(self.one("hours"), self.problems)
        rates = self._rates()
        materials = self._by_id("material", self._material)
        self.warnings += unknown_floors(materials.values())
        return Shop(
            name=self.problems.text(head, "name", ("shop",), "our lab"),
            timezone=self._timezone(head),
            hours=hours,
            closures=closures,
            machines=self._by_id("machine", lambda table, path: self._machine(table, path, materials)),
            materials=materials,
            stations=self._by_id("station", lambda table, path: self._station(table, path, rates)),
            crews=self._by_id("crew", lambda table, path: self._crew(table, path, rates)),
            routes=self._routes(rates, materials),
            always_logged=self._always_logged(rates),
            rates=rates,
            cautions=self._cautions(),
            **self._people(),
            currency=self.problems.text(head, "currency", ("shop",)) if "currency" in head else None,
            costs=self._settings("costs", keys.COST_KEYS),
            quoting=self._quoting(),
            drift=self._settings("drift", keys.DRIFT_KEYS),
            version=version,
            warnings=tuple(self.warnings),
        )

    def _timezone(self, head: Mapping[str, Any]) -> str:
        zone = self.problems.text(head, "timezone", ("shop",)) if head else ""
        if not head:
            self.problems.add((), 'the table [shop] is missing. Begin with [shop], name = "...", timezone = "UTC".')
            return "UTC"
        try:
            ZoneInfo(zone or "UTC")
        except (KeyError, ValueError, OSError):
            self.problems.add(
                ("shop", "timezone"), f'"{zone}" is not an IANA time zone. Expected a name like "Europe/London".'
            )
        return zone or "UTC"

    def _people(self) -> dict[str, Any]:
        table, path = self.one("people"), ("people",)
        self.problems.known_keys(table, ("names", "keep_months", "drop_columns"), path)
        names = self.problems.choice(table.get("names", "alias"), ("off", "alias", "named"), (*path, "names"))
        months = self._number(table, Key("keep_months", "months that people are kept", {}, 1, 600, whole=True), path)
        dropped = self.problems.texts(table.get("drop_columns", []), (*path, "drop_columns"))
        return {
            "people_names": names or "alias",
            "people_months": int(months) if months else None,
            "dropped_columns": dropped,
        }

    def _by_id(self, name: str, read: Any) -> dict[str, Any]:
        by_id: dict[str, Any] = {}
        for index, table in enumerate(self.many(name)):
            path: Path = (name, index)
            item = read(table, path)
            if item.id in by_id:
                self.problems.add(path, f'id "{item.id}" is used twice. Give each {name} an id of its own.')
            by_id[item.id] = item
        return by_id

    # -- machines and materials --------------------------------------------------------------------------------------

    def _process(self, table: Mapping[str, Any], path: Path) -> str:
        word = table.get("process")
        if word is None:
            self.problems.add(path, f'"process" is missing. Add process = "MEX", one of: {", ".join(PROCESSES)}.')
            return "MEX"
        code = process_code(str(word))
        if code is None:
            self.problems.choice(word, PROCESSES, (*path, "process"))
        return code or "MEX"

    def _machine(self, table: dict[str, Any], path: Path, materials: Mapping[str, Material]) -> Machine:
        process = self._process(table, path)
        kinds = keys.KINDS[process]
        kind = self.problems.choice(table.get("kind", kinds[0]), kinds, (*path, "kind")) or kinds[0]
        numeric = [key for key in keys.MACHINE_KEYS if kind in key.defaults]
        own = ("id", "process", "kind", "build_mm", "materials", "lights_out", "owned", "chambers", "closes",
               "rate_per_h", "change")  # fmt: skip
        self.problems.known_keys(table, [*own, *(key.name for key in numeric)], path)
        params = keys.machine_defaults(kind) | self.problems.numbers(table, numeric, path)
        machine = Machine(
            id=self.problems.text(table, "id", path),
            process=process,
            kind=kind,
            build_mm=self._size(table, path),
            materials=self._materials_of(table, path, process, materials),
            params=params,
            dated=self._changes(table, path, numeric),
            lights_out=self.problems.flag(table, "lights_out", path, True),
            owned=self.problems.flag(table, "owned", path, True),
            chambers=int(self._number(table, Key("chambers", "build chambers", {}, 1, 50, whole=True), path) or 1),
            cutoffs=read_moments(table.get("closes", []), (*path, "closes"), self.problems),
            rate_per_h=self._number(table, Key("rate_per_h", "an hour of the machine", {}, 0, 1e5), path),
        )
        for name in (name for name in machine.materials if name in materials):
            check_temperatures(machine, materials[name], path, self.problems)
        return machine

    def _number(self, table: Mapping[str, Any], key: Key, path: Path) -> float | None:
        return self.problems.numbers(table, (key,), path).get(key.name)

    def _size(self, table: Mapping[str, Any], path: Path) -> tuple[float, float, float]:
        value = table.get("build_mm")
        if isinstance(value, list) and len(value) == 3 and all(_is_length(side) for side in value):
            return (float(value[0]), float(value[1]), float(value[2]))
        where = (*path, "build_mm") if "build_mm" in table else path
        self.problems.add(
            where, "build_mm must be three lengths, x, y and z, 1 to 5000 mm: build_mm = [200, 200, 300]."
        )
        return (1.0, 1.0, 1.0)

    def _materials_of(
        self, table: Mapping[str, Any], path: Path, process: str, materials: Mapping[str, Material]
    ) -> tuple[str, ...]:
        fitting = [name for name, material in materials.items() if material.process == process]
        if "materials" not in table:
            return tuple(fitting)
        named = self.problems.texts(table["materials"], (*path, "materials"))
        for name in named:
            self.problems.choice(name, fitting, (*path, "materials")) if fitting else self.problems.add(
                (*path, "materials"), f'"{name}" is no material of this file. Add [[material]] id = "{name}".'
            )
        return named

    def _changes(
        self, table: Mapping[str, Any], path: Path, numeric: list[Key]
    ) -> tuple[tuple[Any, dict[str, float]], ...]:
        """[[machine.change]] since = DAY with the numbers that hold from that day on."""
        changes = []
        for index, change in enumerate(self.problems.tables(table.get("change", []), (*path, "change"))):
            where = (*path, "change", index)
            self.problems.known_keys(change, ["since", *(key.name for key in numeric)], where)
            since = self.problems.day(change.get("since"), (*where, "since"))
            if since:
                changes.append((since, self.problems.numbers(change, numeric, where)))
        return tuple(sorted(changes, key=lambda change: change[0]))

    def _material(self, table: dict[str, Any], path: Path) -> Material:
        process = self._process(table, path)
        numeric = [key for key in keys.MATERIAL_KEYS if process in key.defaults]
        own = ("id", "process", "floor_source", "fit_for", "price_per_kg", *keys.FLOOR_KEYS)
        self.problems.known_keys(table, [*own, *(key.name for key in numeric)], path)
        floors = {
            name: self._number(table, Key(name, about, {}, low, high), path)
            for name, (low, high, about) in keys.FLOOR_KEYS.items()
        }
        if process == "PBF":
            check_polymer(table, path, self.problems)
        if any(value is not None for value in floors.values()) and "floor_source" not in table:
            self.problems.add(path, 'least times need their source. Add floor_source = "data sheet ..., its date".')
        return Material(
            id=self.problems.text(table, "id", path),
            process=process,
            params=keys.material_defaults(process) | self.problems.numbers(table, numeric, path),
            floors=floors,
            floor_source=self.problems.text(table, "floor_source", path) if "floor_source" in table else "",
            fit_for=self.problems.texts(table["fit_for"], (*path, "fit_for")) if "fit_for" in table else None,
            price_per_kg=self._number(table, Key("price_per_kg", "price of a kilogram", {}, 0, 1e6), path),
        )

    # -- stations, crews, stages -------------------------------------------------------------------------------------

    def _stages(self, value: Any, path: Path, rates: Mapping[str, Any]) -> tuple[str, ...]:
        return tuple(
            stage
            for stage in self.problems.texts(value, path)
            if stage in STAGES or stage in rates or self.problems.choice(stage, [*STAGES, *rates], path)
        )

    def _station(self, table: dict[str, Any], path: Path, rates: Mapping[str, Any]) -> Station:
        self.problems.known_keys(table, ["id", "stages", "places", *(key.name for key in keys.STATION_KEYS)], path)
        return Station(
            id=self.problems.text(table, "id", path),
            stages=self._stages(table.get("stages", []), (*path, "stages"), rates),
            places=int(self._number(table, Key("places", "runs at once", {}, 1, 1000, whole=True), path) or 1),
            params=self.problems.numbers(table, keys.STATION_KEYS, path),
        )

    def _crew(self, table: dict[str, Any], path: Path, rates: Mapping[str, Any]) -> Crew:
        self.problems.known_keys(table, ("id", "size", "stages", "rate_per_h", "hours"), path)
        shift = (*path, "hours")
        return Crew(
            id=self.problems.text(table, "id", path),
            size=int(self._number(table, Key("size", "people in their hours", {}, 1, 1000, whole=True), path) or 1),
            stages=self._stages(table.get("stages", []), (*path, "stages"), rates),
            rate_per_h=self._number(table, Key("rate_per_h", "an hour of a person", {}, 0, 1e5), path),
            hours=read_shift(self.problems.table(table.get("hours", {}), shift), shift, self.problems),
        )

    def _rates(self) -> dict[str, dict[str, float]]:
        rates = {stage: keys.rate_defaults(stage) for stage in keys.RATES}
        for stage, value in self.one("rates").items():
            path: Path = ("rates", stage)
            table = self.problems.table(value, path)
            if stage not in STAGES and not _SNAKE.match(stage):
                self.problems.add(path, "a stage of your own is written in snake_case, like vapour_smoothing.")
            if stage in STAGES and stage not in keys.RATES:
                self.problems.add(
                    path, "is computed from the machine's numbers and has no rates; change those instead."
                )
                continue
            numeric = [Key(name, about, {}, low, high) for name, (about, low, high) in keys.RATE_KEYS.items()]
            self.problems.known_keys(table, [*keys.RATE_KEYS, "caution"], path)
            rates[stage] = keys.rate_defaults(stage) | self.problems.numbers(table, numeric, path)
            if stage not in STAGES and not any(name in table for name in ("start_min", "per_part_min", "recipe_min")):
                self.problems.add(path, "a stage of your own needs start_min, per_part_min or recipe_min.")
        return rates

    def _cautions(self) -> dict[str, str]:
        """What the shop says of a stage beside its rates."""
        tables = {stage: table for stage, table in self.one("rates").items() if isinstance(table, dict)}
        return {
            stage: self.problems.text(table, "caution", ("rates", stage))
            for stage, table in tables.items()
            if "caution" in table
        }

    def _routes(self, rates: Mapping[str, Any], materials: Mapping[str, Material]) -> dict[str, tuple[str, ...]]:
        table = self.one("routes")
        self.problems.known_keys(table, (*PROCESSES, "always_logged"), ("routes",))
        routes = dict(ROUTES)
        for process in PROCESSES:
            if process in table:
                routes[process] = self._stages(table[process], ("routes", process), rates)
                if "printing" not in routes[process]:
                    self.problems.add(("routes", process), 'a route needs "printing".')
                check_route(process, routes[process], materials.values(), self.problems)
        return routes

    def _always_logged(self, rates: Mapping[str, Any]) -> tuple[str, ...]:
        return self._stages(self.one("routes").get("always_logged", []), ("routes", "always_logged"), rates)

    # -- settings ----------------------------------------------------------------------------------------------------

    def _settings(self, name: str, known: tuple[Key, ...]) -> dict[str, float]:
        table = self.one(name)
        self.problems.known_keys(table, [key.name for key in known], (name,))
        defaults = {key.name: float(key.defaults[""]) for key in known if "" in key.defaults}
        return defaults | self.problems.numbers(table, known, (name,))

    def _quoting(self) -> dict[str, Any]:
        table = dict(self.one("quoting"))
        outside = self.problems.tables(table.pop("outside", []), ("quoting", "outside"))
        latest = table.pop("no_unattended_start_after", None)
        known = [key.name for key in keys.QUOTING_KEYS]
        self.problems.known_keys(table, [*known, "outside", "no_unattended_start_after"], ("quoting",))
        settings: dict[str, Any] = {key.name: float(key.defaults[""]) for key in keys.QUOTING_KEYS}
        settings |= self.problems.numbers(table, keys.QUOTING_KEYS, ("quoting",))
        if latest is not None and not re.match(r"^([01]\d|2[0-3]):[0-5]\d$", str(latest)):
            self.problems.add(("quoting", "no_unattended_start_after"), f'{latest} is not a time. Expected "22:00".')
        settings["no_unattended_start_after"] = latest
        settings["outside"] = [self._outside(entry, ("quoting", "outside", i)) for i, entry in enumerate(outside)]
        return settings

    def _outside(self, table: dict[str, Any], path: Path) -> dict[str, Any]:
        """An outside supplier's days and price, as the shop knows them."""
        self.problems.known_keys(table, ["id", "process", *(key.name for key in keys.OUTSIDE_KEYS)], path)
        if "days" not in table:
            self.problems.add(path, '"days" is missing. Add days = 10, the working days until delivery.')
        return {
            "id": self.problems.text(table, "id", path, "outside"),
            "process": self._process(table, path),
            **self.problems.numbers(table, keys.OUTSIDE_KEYS, path),
        }


def _is_length(side: Any) -> bool:
    return isinstance(side, int | float) and not isinstance(side, bool) and 1 <= side <= 5000
