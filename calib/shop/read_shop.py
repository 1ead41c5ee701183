"""``shop.toml`` -> Shop: every wrong key or value reported in one pass, with its line and remedy."""

from __future__ import annotations

import hashlib
import tomllib
from pathlib import Path
from typing import Any

from calib.errors import ShopFileError
from calib.records import PROCESS_WORDS, ROUTES, STAGES
from calib.shop.checks import Problems, days, hours, number, text_list
from calib.shop.keys import FLOORS, KINDS, MACHINE_KEYS, MATERIAL_KEYS, Key
from calib.shop.model import Crew, Machine, Material, Shop, Station
from calib.shop.rates import RATE_KEYS

TOP = (
    "shop", "hours", "people", "machine", "material", "station", "crew", "rates", "costs", "quoting", "drift", "routes",
)  # fmt: skip
COST_KEYS = {
    "machine_per_h": (0, 1e6), "person_per_h": (0, 1e6), "consumables_per_build": (0, 1e6), "overhead_share": (0, 10),
}  # fmt: skip


def read_shop(place: Path) -> Shop:
    """Read ``shop.toml`` (or the folder that holds it). Raises ShopFileError with every problem in one message."""
    path = place / "shop.toml" if place.is_dir() or not place.suffix else place
    try:
        text = path.read_text(encoding="utf-8-sig")
    except FileNotFoundError:
        raise ShopFileError(
            f"{path.parent} is not a shop: it has no shop.toml.",
            "Make one with 'calib init DIR', or name the folder with --shop DIR.",
        ) from None
    except (OSError, UnicodeDecodeError) as error:
        raise ShopFileError(f"{path} cannot be read: {error}.", "It must be a UTF-8 text file.") from None
    return parse_shop(text, path.name)


def parse_shop(text: str, name: str = "shop.toml") -> Shop:
    """The shop that a text states."""
    try:
        data = tomllib.loads(text)
    except tomllib.TOMLDecodeError as error:
        raise ShopFileError(f"{name} is not valid TOML: {error}.", "Mend that line and try again.") from None
    problems = Problems(name, text)
    problems.unknown(data, TOP, "section", ())
    head = data.get("shop", {})
    problems.unknown(head, ("name", "timezone", "closures", "always_logged", "currency"), "key", ("shop",))
    materials = _materials(data.get("material", []), problems)
    shop = Shop(
        name=str(head.get("name", "this shop")),
        timezone=_zone(head.get("timezone", "UTC"), problems),
        hours=hours(data.get("hours"), problems),
        closures=days(head.get("closures", []), problems),
        machines=_machines(data.get("machine", []), materials, problems),
        materials=materials,
        stations=_stations(data.get("station", []), problems),
        crews=_crews(data.get("crew", []), problems),
        routes=_routes(data.get("routes", {}), problems),
        always_logged=text_list(head.get("always_logged", []), "always_logged", problems),
        rates=_rates(data.get("rates", {}), problems),
        people_names=_people(data.get("people", {}), problems),
        currency=head.get("currency"),
        costs={
            key: number(value, COST_KEYS[key], f"costs.{key}", problems)
            for key, value in problems.known(data.get("costs", {}), COST_KEYS, "cost", ("costs",)).items()
        },
        quoting=dict(data.get("quoting", {})),
        drift=dict(data.get("drift", {})),
        version=hashlib.sha256(text.encode()).hexdigest()[:16],
    )
    problems.raise_any()
    return shop


def _zone(name: Any, problems: Problems) -> str:
    from zoneinfo import ZoneInfo

    try:
        ZoneInfo(str(name))
    except (KeyError, ValueError, OSError):
        problems.add("timezone", f'timezone "{name}" is not an IANA name, such as Europe/London')
    return str(name)


def _people(section: dict[str, Any], problems: Problems) -> str:
    problems.unknown(section, ("names",), "key", ("people",))
    names = section.get("names", "alias")
    if names not in ("off", "alias", "named"):
        problems.add("names", f'people.names "{names}": one of off, alias, named expected')
    return str(names)


def _parameters(entry: dict[str, Any], keys: dict[str, Key], kind: str, problems: Problems) -> dict[str, float]:
    """Defaults of the kind, with what the entry states in their place."""
    found = {name: key.defaults[kind] for name, key in keys.items() if kind in key.defaults}
    for name, value in entry.items():
        if name in keys:
            found[name] = number(value, (keys[name].low, keys[name].high), name, problems, entry.get("id"))
    return found


def _machines(entries: list[dict[str, Any]], materials: dict[str, Material], problems: Problems) -> dict[str, Machine]:
    own = (
        "id", "kind", "process", "build_mm", "materials", "lights_out", "owned", "chambers", "closes", "rate_per_h",
        "since",
    )  # fmt: skip
    machines: dict[str, Machine] = {}
    for entry in entries:
        problems.unknown(entry, (*own, *MACHINE_KEYS), "key", ("machine", str(entry.get("id"))))
        kind = entry.get("kind")
        if "id" not in entry or kind not in KINDS:
            problems.add("machine", f'machine "{entry.get("id")}" needs an id and a kind, one of {", ".join(KINDS)}')
            continue
        size = entry.get("build_mm", [200, 200, 200])
        if not (isinstance(size, list) and len(size) == 3 and all(isinstance(x, int | float) and x > 0 for x in size)):
            problems.add("build_mm", f"build_mm of {entry['id']} is {size}: three lengths above 0 expected, [x, y, z]")
            size = [200, 200, 200]
        process = KINDS[kind]
        named = text_list(entry.get("materials", []), "materials", problems)
        for material in named:
            if material not in materials:
                problems.add("materials", f'machine {entry["id"]}: material "{material}" has no [[material]] entry')
        dated = tuple(
            (day, {key: float(value) for key, value in change.items() if key in MACHINE_KEYS})
            for day, change in sorted(
                (days([change.get("day")], problems)[0], change) for change in entry.get("since", []) if "day" in change
            )
        )
        machines[entry["id"]] = Machine(
            id=str(entry["id"]),
            process=process,
            kind=kind,
            build_mm=tuple(float(x) for x in size),  # type: ignore[arg-type]
            materials=named or tuple(m.id for m in materials.values() if m.process == process),
            params=_parameters(entry, MACHINE_KEYS, kind, problems),
            dated=dated,
            lights_out=bool(entry.get("lights_out", True)),
            owned=bool(entry.get("owned", True)),
            chambers=int(entry.get("chambers", 1)),
            closes=text_list(entry.get("closes", []), "closes", problems),
            rate_per_h=entry.get("rate_per_h"),
        )
    return machines


def _materials(entries: list[dict[str, Any]], problems: Problems) -> dict[str, Material]:
    own = ("id", "process", "fit_for", "price_per_kg", "floor_source", *FLOORS)
    materials: dict[str, Material] = {}
    for entry in entries:
        problems.unknown(entry, (*own, *MATERIAL_KEYS), "key", ("material", str(entry.get("id"))))
        process = PROCESS_WORDS.get(str(entry.get("process", "")).lower())
        if "id" not in entry or process is None:
            problems.add("material", f'material "{entry.get("id")}" needs an id and a process: MEX, VPP or PBF')
            continue
        floors = {
            key: number(entry[key], (0, 100_000), key, problems, entry["id"]) if key in entry else None
            for key in FLOORS
        }
        materials[entry["id"]] = Material(
            id=str(entry["id"]),
            process=process,
            params=_parameters(entry, MATERIAL_KEYS, process, problems),
            floors=floors,
            floor_source=str(entry.get("floor_source", "")),
            fit_for=text_list(entry["fit_for"], "fit_for", problems) if "fit_for" in entry else None,
            price_per_kg=entry.get("price_per_kg"),
        )
    return materials


def _stations(entries: list[dict[str, Any]], problems: Problems) -> dict[str, Station]:
    stations = {}
    for entry in entries:
        problems.unknown(entry, ("id", "stages", "places"), "key", ("station", str(entry.get("id"))))
        if "id" not in entry:
            problems.add("station", "a station has no id")
            continue
        places = int(number(entry.get("places", 1), (1, 1000), "places", problems, entry["id"]))
        stations[entry["id"]] = Station(
            str(entry["id"]), text_list(entry.get("stages", []), "stages", problems), places
        )
    return stations


def _crews(entries: list[dict[str, Any]], problems: Problems) -> dict[str, Crew]:
    crews = {}
    for entry in entries:
        problems.unknown(entry, ("id", "size", "stages", "rate_per_h"), "key", ("crew", str(entry.get("id"))))
        if "id" not in entry:
            problems.add("crew", "a crew has no id")
            continue
        size = int(number(entry.get("size", 1), (1, 1000), "size", problems, entry["id"]))
        stages = text_list(entry.get("stages", []), "stages", problems)
        crews[entry["id"]] = Crew(str(entry["id"]), size, stages, entry.get("rate_per_h"))
    return crews


def _rates(section: dict[str, Any], problems: Problems) -> dict[str, dict[str, float]]:
    rates = {}
    for stage, entry in section.items():
        if not isinstance(entry, dict):
            problems.add(stage, f"rates.{stage} is {entry!r}: a table expected, e.g. [rates.{stage}] start_min = 5")
            continue
        known = problems.known(entry, RATE_KEYS, "rate", ("rates", stage))
        rates[stage] = {key: number(value, RATE_KEYS[key], key, problems, stage) for key, value in known.items()}
    return rates


def _routes(section: dict[str, Any], problems: Problems) -> dict[str, tuple[str, ...]]:
    routes = dict(ROUTES)
    for word, stages in section.items():
        process = PROCESS_WORDS.get(word.lower())
        if process is None:
            problems.add(word, f'routes.{word}: "{word}" is not a process; MEX, VPP or PBF expected')
            continue
        routes[process] = text_list(stages, word, problems)
        for stage in routes[process]:
            if stage != stage.lower() or not stage.isidentifier():
                problems.add(stage, f'routes.{word}: stage "{stage}" is not snake_case; known: {", ".join(STAGES)}')
    return routes
