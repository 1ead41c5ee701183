"""Names of a patch as the shop file spells them: 'tough-resin' is its 'tough_resin', with its floors."""

from __future__ import annotations

from typing import Any

from calib.records import STAGES
from calib.shop.check import Problems
from calib.spelling import by_spelling, plain

BY_ID = ("machine", "material", "station", "crew")


def as_base_spells(patch: dict[str, Any], base: dict[str, Any], problems: Problems) -> dict[str, Any]:
    """The patch with ids, materials and stages that differ by spelling only under the shop file's own name."""
    spelled = {
        kind: _as_known_ids(value, ids_of(base, kind), kind, problems) if kind in BY_ID else value
        for kind, value in patch.items()
    }
    materials = by_spelling([*ids_of(base, "material"), *ids_of(spelled, "material")])
    known_stages = [*STAGES, *_table(base, "rates")]
    stages = by_spelling(known_stages)
    if "rates" in patch:
        spelled["rates"] = {_alike(name, stages): value for name, value in _table(patch, "rates").items()} or patch[
            "rates"
        ]
    stages = by_spelling([*known_stages, *_table(spelled, "rates")])
    for kind, field, known in (
        ("machine", "materials", materials),
        ("station", "stages", stages),
        ("crew", "stages", stages),
    ):
        for entry in _entries(spelled, kind):
            _respell(entry, field, known)
    spelled |= {"routes": dict(_table(patch, "routes"))} if _table(patch, "routes") else {}
    for process in _table(spelled, "routes"):
        _respell(spelled["routes"], process, stages)
    return spelled


def ids_of(data: dict[str, Any], kind: str) -> list[str]:
    return [id_of(entry) for entry in _entries(data, kind)]


def id_of(entry: dict[str, Any]) -> str:
    return str(entry.get("id")).strip()


def _as_known_ids(value: Any, known: list[str], kind: str, problems: Problems) -> Any:
    """Entries under the ids that are known; one that could be several of them is a problem. Others stay as they are."""
    if not isinstance(value, list):
        return value
    found: list[Any] = []
    spelled = by_spelling(known)
    for index, entry in enumerate(value):
        if not isinstance(entry, dict) or not isinstance(entry.get("id"), str):
            found.append(entry)
            continue
        name = id_of(entry)
        alike = spelled.setdefault(plain(name), [name])
        if name not in alike and len(alike) > 1:
            problems.add((kind, index), f'"{name}" could be {" or ".join(alike)}. Write which.')
        found.append({**entry, "id": _alike(name, spelled)})
    return found


def _respell(table: dict[str, Any], field: str, known: dict[str, list[str]]) -> None:
    """A name, or a list of names, in place."""
    value = table.get(field)
    if isinstance(value, str):
        table[field] = _alike(value, known)
    elif isinstance(value, list):
        table[field] = [_alike(one, known) if isinstance(one, str) else one for one in value]


def _alike(name: str, known: dict[str, list[str]]) -> str:
    alike = known.get(plain(name), [])
    return name if name in alike or len(alike) != 1 else alike[0]


def _entries(data: dict[str, Any], kind: str) -> list[dict[str, Any]]:
    value = data.get(kind)
    return [one for one in value if isinstance(one, dict)] if isinstance(value, list) else []


def _table(data: dict[str, Any], name: str) -> dict[str, Any]:
    value = data.get(name)
    return value if isinstance(value, dict) else {}
