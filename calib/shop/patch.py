"""A what-if: a patch in the shop file's own format laid over it."""

from __future__ import annotations

from hashlib import sha256
from pathlib import Path
from typing import Any

from calib.records import STAGES
from calib.shop.check import Problems
from calib.shop.keys import FLOOR_KEYS
from calib.shop.model import Shop
from calib.shop.old_names import take_new_names
from calib.shop.patch_facts import check_facts
from calib.shop.read_shop import FILE, read_text, shop_from_data
from calib.spelling import by_spelling, plain
from calib.toml_lines import parse_toml

BY_ID = ("machine", "material", "station", "crew")


def patched(shop_text_or_path: str | Path, patch_toml: str | Path) -> Shop:
    """The shop with a patch laid over it: what the patch states replaces, [[machine]] and the like are met by id.

    shop_text_or_path : text of a shop file, or its path or folder
    patch_toml : text or path of the patch; an entry with ``remove = true`` takes the one of that id away

    Names that differ by spelling only, such as ``tough-resin`` and ``tough_resin``, are one.

    Raises ShopFileError for every wrong key or value, for an id to remove that is not there, and where the patch would
    go under a limit of the data sheet, or shorten a cool-down by other parameters: no what-if does.
    """
    base_text = _text(shop_text_or_path)
    patch_text = _text(patch_toml, "patch", "Check its name; it is written as the shop file is.")
    base, base_lines = parse_toml(base_text, FILE)
    today = shop_from_data(base, base_lines, FILE, "")  # says what is wrong with the shop file itself
    patch, patch_lines = parse_toml(patch_text, "the patch")
    take_new_names(patch)
    problems = Problems(patch_lines, "the patch")
    merged = _merged(base, as_base_spells(patch, base, problems), problems)
    _check_floors(base, merged, problems)
    problems.raise_if_any()
    version = sha256((base_text + "\0" + patch_text).encode()).hexdigest()[:16]
    changed = shop_from_data(merged, base_lines, "the shop file with the patch", version)
    check_facts(today, changed, problems)
    problems.raise_if_any()
    return changed


def _text(source: str | Path, *what: str) -> str:
    if isinstance(source, Path) or (source and "\n" not in source and "=" not in source):
        path = Path(source)
        return read_text(path / FILE if path.is_dir() else path, *what)
    return source


def _merged(base: dict[str, Any], patch: dict[str, Any], problems: Problems) -> dict[str, Any]:
    merged = dict(base)
    for name, value in patch.items():
        if name in BY_ID:
            entries = problems.tables(value, (name,))
            merged[name] = _merged_by_id(name, base.get(name, []), entries, problems)
        elif isinstance(value, dict):
            merged[name] = {key: _deeper(base.get(name, {}), key, part) for key, part in value.items()}
            merged[name] = {**base.get(name, {}), **merged[name]}
        else:
            merged[name] = value
    return merged


def _deeper(table: dict[str, Any], key: str, value: Any) -> Any:
    """Tables of a table, such as [rates.sanding], are laid over one another too."""
    return {**table[key], **value} if isinstance(value, dict) and isinstance(table.get(key), dict) else value


def _merged_by_id(
    name: str, base: list[dict[str, Any]], patch: list[dict[str, Any]], problems: Problems
) -> list[dict[str, Any]]:
    entries = {id_of(entry): entry for entry in base}
    for index, change in enumerate(patch):
        entry_id = id_of(change)
        known = entries.get(entry_id)
        if change.get("remove"):
            if known is None:
                problems.add((name, index), f'there is no {name} "{entry_id}" to remove. Known: {", ".join(entries)}.')
            entries.pop(entry_id, None)
        else:
            stated = {key: value for key, value in change.items() if key != "remove"}
            entries[entry_id] = {**(known or {}), **stated}
    return list(entries.values())


def _check_floors(base: dict[str, Any], merged: dict[str, Any], problems: Problems) -> None:
    """A floor may rise, and be stated where it was unknown; it never falls, nor goes away. Its stage: `read_shop`."""
    before = {id_of(entry): entry for entry in base.get("material", [])}
    for entry in merged.get("material", []):
        for key in FLOOR_KEYS:
            old, new = before.get(id_of(entry), {}).get(key), entry.get(key)
            if not isinstance(old, int | float):
                continue
            gone = not isinstance(new, int | float)
            if gone or (new > old if key == "cool_to_c" else new < old):
                stated = "not stated" if gone else f"{new:g}"
                problems.add(
                    ("material",),
                    f'material "{entry.get("id")}", {key}: {stated} goes under the data sheet\'s {old:g}. '
                    "No what-if does; change the shop file if the data sheet has changed.",
                )


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
    entries: list[Any] = []
    spelled = by_spelling(known)
    for index, entry in enumerate(value):
        if not isinstance(entry, dict) or not isinstance(entry.get("id"), str):
            entries.append(entry)
            continue
        name = id_of(entry)
        alike = spelled.setdefault(plain(name), [name])
        if name not in alike and len(alike) > 1:
            problems.add((kind, index), f'"{name}" could be {" or ".join(alike)}. Write which.')
        entries.append({**entry, "id": _alike(name, spelled)})
    return entries


def _respell(table: dict[str, Any], field: str, known: dict[str, list[str]]) -> None:
    """A name, or a list of names, in place."""
    value = table.get(field)
    if isinstance(value, str):
        table[field] = _alike(value, known)
    elif isinstance(value, list):
        table[field] = [_alike(name, known) if isinstance(name, str) else name for name in value]


def _alike(name: str, known: dict[str, list[str]]) -> str:
    alike = known.get(plain(name), [])
    return name if name in alike or len(alike) != 1 else alike[0]


def _entries(data: dict[str, Any], kind: str) -> list[dict[str, Any]]:
    value = data.get(kind)
    return [entry for entry in value if isinstance(entry, dict)] if isinstance(value, list) else []


def _table(data: dict[str, Any], name: str) -> dict[str, Any]:
    value = data.get(name)
    return value if isinstance(value, dict) else {}
