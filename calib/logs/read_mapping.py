"""A mapping file (TOML) read and checked, every problem of it in one pass."""

from __future__ import annotations

import tomllib
from datetime import datetime
from pathlib import Path
from typing import Any

from calib.errors import LogFileError
from calib.logs.columns import KINDS, KNOWN_NAMES
from calib.logs.mapping import CLOCK, UNITS, WORDS, Mapping, dimension
from calib.logs.reshape import StartStop, Wide
from calib.logs.words import nearest, stage_problem
from calib.records import PROCESS_WORDS

WORD_TABLES = {"stages": "stage", "processes": "process"}
KEYS = {"kind", "sheet", "decimal", "zone", "overnight", "columns", "formats", "units", "stages", "processes", "words", "defaults",
        "start_stop", "wide"}  # fmt: skip


def read_mapping(path: Path, shop_stages: tuple[str, ...] = ()) -> Mapping:
    """Raises LogFileError that lists every problem."""
    try:
        data = tomllib.loads(path.read_text(encoding="utf-8-sig"))
    except OSError as error:
        raise LogFileError(f"{path} cannot be read: {error.strerror}.", "Check its name.") from error
    except (UnicodeDecodeError, tomllib.TOMLDecodeError) as error:
        raise LogFileError(f"{path} is no TOML: {error}.", "Mend that line.") from error
    problems = list(_problems(data, shop_stages))
    if problems:
        listed = "; ".join(problems)
        raise LogFileError(f"{path} says what cannot be: {listed}.", "Mend these lines; nothing was imported.")
    return _mapping(data)


def _mapping(data: dict[str, Any]) -> Mapping:
    words = {**data.get("words", {}), **{name: data[key] for key, name in WORD_TABLES.items() if key in data}}
    pair = data.get("start_stop")
    wide = data.get("wide")
    return Mapping(
        kind=data.get("kind"),
        sheet=data.get("sheet"),
        columns={name: _texts(theirs) for name, theirs in data.get("columns", {}).items()},
        formats={name: _texts(forms) for name, forms in data.get("formats", {}).items()},
        units=dict(data.get("units", {})),
        words={name: {word.lower(): ours for word, ours in table.items()} for name, table in words.items()},
        defaults={name: str(value) for name, value in data.get("defaults", {}).items()},
        decimal=data.get("decimal", "."),
        zone=data.get("zone"),
        overnight=data.get("overnight", False),
        start_stop=_start_stop(pair) if pair else None,
        wide=Wide({name: _texts(theirs) for name, theirs in wide.items() if name != "date"}, wide.get("date", ""))
        if wide
        else None,
    )


def _start_stop(pair: dict[str, Any]) -> StartStop:
    same, start, stop, pause, resume = (
        _texts(pair.get(key, ())) for key in ("same", "start", "stop", "pause", "resume")
    )
    return StartStop(pair["event"], _texts(pair["at"]), same, start, stop, pause, resume)


def _texts(value: Any) -> tuple[str, ...]:
    return (value,) if isinstance(value, str) else tuple(value)


def _problems(data: dict[str, Any], shop_stages: tuple[str, ...]):  # type: ignore[no-untyped-def]  # yields sentences
    for key in data.keys() - KEYS:
        near = nearest(key, KEYS)
        yield f'"{key}" is no key of a mapping' + (f"; did you mean {near[0]}?" if near else "")
    if data.get("kind") not in (None, *KINDS):
        yield f'kind "{data["kind"]}" is none of {", ".join(KINDS)}'
    if data.get("decimal", ".") not in (".", ","):
        yield f'decimal "{data["decimal"]}" is neither "." nor ","'
    if "zone" in data and not _is_zone(data["zone"]):
        yield f'zone "{data["zone"]}" is no IANA zone, such as Europe/London'
    for table in ("columns", "formats", "units", "stages", "processes", "words", "defaults", "start_stop", "wide"):
        if not isinstance(data.get(table, {}), dict):
            yield f"[{table}] must be a table"
            return
    yield from _name_problems(data)
    yield from _value_problems(data, shop_stages)
    yield from _shape_problems(data, shop_stages)


def _name_problems(data: dict[str, Any]):  # type: ignore[no-untyped-def]
    known = [column.name for column in KINDS[data["kind"]]] if data.get("kind") in KINDS else sorted(KNOWN_NAMES)
    for table in ("columns", "formats", "units", "words", "defaults"):
        for name in data.get(table, {}):
            if name not in known and not (table == "formats" and name == "at"):
                near = nearest(name, known)
                yield f'[{table}] "{name}" is no column of ours' + (f"; did you mean {near[0]}?" if near else "")
    for name, theirs in data.get("columns", {}).items():
        if not isinstance(theirs, str) and not (
            isinstance(theirs, list) and all(isinstance(one, str) for one in theirs)
        ):
            yield f"[columns] {name} must be the name of a column, or a list of names"


def _value_problems(data: dict[str, Any], shop_stages: tuple[str, ...]):  # type: ignore[no-untyped-def]
    for name, form in ((name, form) for name, forms in data.get("formats", {}).items() for form in _listed(forms)):
        if not _is_format(form):
            yield f'[formats] {name} "{form}" is no format of times, such as "%d.%m.%Y %H:%M"'
    for name, unit in data.get("units", {}).items():
        units = UNITS.get(dimension(name), {})
        if unit not in units and not (dimension(name) == "min" and unit in (CLOCK, WORDS)):
            yield f'[units] {name} "{unit}" is none of {", ".join([*units, CLOCK, WORDS]) or "nothing: it has no unit"}'
    for word, stage in data.get("stages", {}).items():
        if problem := stage_problem(str(stage), shop_stages):
            yield f'[stages] "{word}": "{stage}" {problem}'
    for word, process in data.get("processes", {}).items():
        if str(process).lower() not in PROCESS_WORDS:
            yield f'[processes] "{word}": "{process}" is no process; write MEX, VPP or PBF'


def _shape_problems(data: dict[str, Any], shop_stages: tuple[str, ...]):  # type: ignore[no-untyped-def]
    pair = data.get("start_stop")
    if pair is not None:
        known = {"event", "at", "same", "start", "stop", "pause", "resume"}
        for key in {"event", "at", "same", "start", "stop"} - pair.keys():
            yield f"[start_stop] has no {key}"
        for key in pair.keys() - known:
            yield f'[start_stop] "{key}" is none of {", ".join(sorted(known))}'
    for stage, theirs in data.get("wide", {}).items():
        if stage == "date":
            continue
        if problem := stage_problem(stage, shop_stages):
            yield f'[wide] "{stage}" {problem}'
        named = isinstance(theirs, str) or (isinstance(theirs, list) and all(isinstance(one, str) for one in theirs))
        if not named or (isinstance(theirs, list) and len(theirs) not in (1, 2)):
            yield f"[wide] {stage} must name the columns of start and end, or the one of minutes"


def _is_zone(name: Any) -> bool:
    from zoneinfo import available_timezones

    return name in available_timezones()


def _is_format(form: Any) -> bool:
    try:
        datetime.strptime(datetime(2026, 11, 20, 8, 30).strftime(form), form)
    except (ValueError, TypeError):
        return False
    return "%" in form


def _listed(value: Any) -> list[Any]:
    return value if isinstance(value, list) else [value]
