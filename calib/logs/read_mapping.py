"""A mapping file (TOML) read and checked, every problem of it in one pass."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import datetime
from pathlib import Path
from typing import Any
from zoneinfo import available_timezones

from calib.calendar.written_time import DAY_NUMBER
from calib.errors import LogFileError
from calib.logs.columns import KINDS, KNOWN_NAMES
from calib.logs.mapping import CLOCK, MINUTES_SECONDS, UNITS, WORDS, Mapping, dimension
from calib.logs.reshape import StartStop, Wide
from calib.logs.words import stage_problem
from calib.plain_file import check_plain
from calib.records import process_code
from calib.spelling import did_you_mean
from calib.toml_lines import Path as Place
from calib.toml_lines import line_of, parse_toml

Problem = tuple[Place, str]  # where, and what is wrong
TABLES = ("columns", "formats", "units", "stages", "processes", "words", "defaults", "start_stop", "wide")

MOST_BYTES = 5_000_000
SHOWN = 40  # problems that are listed
WORD_TABLES = {"stages": "stage", "processes": "process"}
KEYS = {"kind", "sheet", "decimal", "zone", "overnight", "skip", *TABLES}


def read_mapping(path: Path, shop_stages: tuple[str, ...] = ()) -> Mapping:
    """Raises LogFileError that lists every problem."""
    try:
        check_plain(path, LogFileError)
        if path.stat().st_size > MOST_BYTES:
            raise LogFileError(f"{path} is larger than a mapping can be ({MOST_BYTES} bytes).", "Is it another file?")
        data, lines = parse_toml(path.read_text(encoding="utf-8-sig"), str(path), LogFileError)
    except FileNotFoundError as error:
        raise LogFileError(f"There is no mapping file {path}.", "Propose one: calib map FILE") from error
    except OSError as error:
        raise LogFileError(f"{path} cannot be read: {error.strerror}.", "Check its name and rights.") from error
    except UnicodeDecodeError as error:
        raise LogFileError(f"{path} is not UTF-8 text, so it is no mapping.", "Propose one: calib map FILE") from error
    problems = [(line_of(lines, where) or 0, what) for where, what in _problems(data, shop_stages)]
    if problems:
        count = "1 problem" if len(problems) == 1 else f"{len(problems)} problems"
        sentences = [
            f"line {line}, {what}" if line else what for line, what in sorted(problems, key=lambda problem: problem[0])
        ]
        listed = "\n  ".join([f"{path} has {count}:", *sentences[:SHOWN], *(["..."] if len(sentences) > SHOWN else [])])
        raise LogFileError(f"{listed}.", "Mend these lines; nothing was imported.")
    return _mapping(data, str(path))


def _mapping(data: dict[str, Any], name: str) -> Mapping:
    words = {**data.get("words", {}), **{name: data[key] for key, name in WORD_TABLES.items() if key in data}}
    pair = data.get("start_stop")
    wide = data.get("wide")
    return Mapping(
        name=name,
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
        skip=_texts(data.get("skip", ())),
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


def _problems(data: dict[str, Any], shop_stages: tuple[str, ...]) -> Iterator[Problem]:
    for key in data.keys() - KEYS:
        yield (key,), f'"{key}" is no key of a mapping{did_you_mean(key, KEYS)}'
    kind = data.get("kind") if data.get("kind") in (None, *KINDS) else None
    if data.get("kind") != kind:
        yield ("kind",), f'kind "{data["kind"]}" is none of {", ".join(KINDS)}{did_you_mean(data["kind"], KINDS)}'
    if data.get("decimal", ".") not in (".", ","):
        yield ("decimal",), f'decimal "{data["decimal"]}" is neither "." nor ","'
    if "zone" in data and str(data["zone"]) not in (zones := available_timezones()):
        yield (
            ("zone",),
            f'zone "{data["zone"]}" is no IANA zone, such as Europe/London{did_you_mean(data["zone"], zones)}',
        )
    if not isinstance(data.get("overnight", False), bool):
        yield ("overnight",), "overnight must be true or false"
    if not isinstance(data.get("sheet", ""), str):
        yield ("sheet",), "sheet must be the name of a sheet"
    if not _is_texts(skip := data.get("skip", [])) or not all(word.strip() for word in _texts(skip)):
        yield ("skip",), 'skip must be how rows begin that are none of a log, such as ["Week", "Total"]'
    wrong = [name for name in TABLES if not isinstance(data.get(name, {}), dict)]
    yield from (((name,), f"[{name}] must be a table") for name in wrong)
    tables = {name: data.get(name, {}) if name not in wrong else {} for name in TABLES}
    yield from _name_problems(tables, kind)
    yield from _value_problems(tables, shop_stages)
    yield from _word_problems(tables, shop_stages)
    yield from _start_stop_problems(tables["start_stop"], "start_stop" in data)
    yield from _wide_problems(tables["wide"], shop_stages)


def _name_problems(tables: dict[str, dict[str, Any]], kind: Any) -> Iterator[Problem]:
    known = [column.name for column in KINDS[kind]] if kind in KINDS else sorted(KNOWN_NAMES)
    for table in ("columns", "formats", "units", "words", "defaults"):
        for name in tables[table]:
            more = {"formats": ["at"], "units": [stage for stage in tables["wide"] if stage != "date"]}.get(table, [])
            if name not in (*known, *more):
                yield (table, name), f'[{table}] "{name}" is no column of ours{did_you_mean(name, known)}'
    for name, theirs in tables["columns"].items():
        if not _is_texts(theirs):
            yield ("columns", name), f"[columns] {name} must be the name of a column, or a list of names"


def _value_problems(tables: dict[str, dict[str, Any]], shop_stages: tuple[str, ...]) -> Iterator[Problem]:
    for name, forms in tables["formats"].items():
        for form in forms if isinstance(forms, list) else [forms]:
            if not _is_format(form):
                yield ("formats", name), f'[formats] {name} "{form}" is no format of times, such as "%d.%m.%Y %H:%M"'
    for name, unit in tables["units"].items():
        what = "min" if name in tables["wide"] else dimension(name)
        units = [*UNITS.get(what, {}), *((CLOCK, MINUTES_SECONDS, WORDS) if what == "min" else ())]
        if unit not in units:
            which = (
                f"is none of {', '.join(units)}{did_you_mean(unit, units)}" if units else "cannot be: it has no unit"
            )
            yield ("units", name), f'[units] {name} "{unit}" {which}'
    if (stage := tables["defaults"].get("stage")) and (problem := stage_problem(str(stage), shop_stages)):
        yield ("defaults", "stage"), f'[defaults] stage "{stage}" {problem}'


def _word_problems(tables: dict[str, dict[str, Any]], shop_stages: tuple[str, ...]) -> Iterator[Problem]:
    for word, stage in tables["stages"].items():
        if problem := stage_problem(str(stage), shop_stages):
            yield ("stages", word), f'[stages] "{word}": "{stage}" {problem}'
    for word, process in tables["processes"].items():
        if process_code(str(process)) is None:
            yield ("processes", word), f'[processes] "{word}": "{process}" is no process; write MEX, VPP or PBF'
    allowed = {column.name: column.words for columns in KINDS.values() for column in columns if column.kind == "word"}
    for name, words in tables["words"].items():
        if not isinstance(words, dict):
            yield ("words", name), f"[words] {name} must be a table of words"
            continue
        for word, ours in words.items():
            if ours not in allowed.get(name, (ours,)):
                which = f"is none of {', '.join(allowed[name])}{did_you_mean(ours, allowed[name])}"
                yield ("words", name, word), f'[words.{name}] "{word}": "{ours}" {which}'


def _start_stop_problems(pair: dict[str, Any], is_there: bool) -> Iterator[Problem]:
    if is_there:
        needed = ("event", "at", "same", "start", "stop")
        yield from ((("start_stop",), f"[start_stop] has no {key}") for key in needed if key not in pair)
    known = ("event", "at", "same", "start", "stop", "pause", "resume")
    for key, value in pair.items():
        if key not in known:
            yield ("start_stop", key), f'[start_stop] "{key}" is none of {", ".join(known)}{did_you_mean(key, known)}'
        elif not (isinstance(value, str) if key == "event" else _is_texts(value)):
            yield (
                ("start_stop", key),
                f"[start_stop] {key} must be a text{'' if key == 'event' else ', or a list of texts'}",
            )


def _wide_problems(wide: dict[str, Any], shop_stages: tuple[str, ...]) -> Iterator[Problem]:
    for stage, theirs in wide.items():
        if stage == "date":
            if not isinstance(theirs, str):
                yield ("wide", "date"), "[wide] date must be the name of a column"
            continue
        if problem := stage_problem(stage, shop_stages):
            yield ("wide", stage), f'[wide] "{stage}" {problem}'
        if not _is_texts(theirs) or (isinstance(theirs, list) and len(theirs) not in (1, 2)):
            yield ("wide", stage), f"[wide] {stage} must name the columns of start and end, or the one of minutes"


def _is_texts(value: Any) -> bool:
    return isinstance(value, str) or (isinstance(value, list) and all(isinstance(text, str) for text in value))


def _is_format(form: Any) -> bool:
    if form == DAY_NUMBER:
        return True
    try:
        datetime.strptime(datetime(2026, 11, 20, 8, 30).strftime(form), form)
    except (ValueError, TypeError):
        return False
    return "%" in form
