"""A look at a foreign file -> a proposed mapping with its reasons, for a person to check. Importing never guesses."""

from __future__ import annotations

import csv
import json
import re
import tempfile
from collections import Counter
from collections.abc import Callable
from datetime import datetime
from pathlib import Path
from typing import Any

from calib.errors import LogFileError
from calib.logs.columns import KINDS, Column, plain_name
from calib.logs.mapping import CLOCK, UNITS, WORDS, Mapping, clock_minutes, dimension, worded_minutes
from calib.logs.read_table import FAULT, LINE, read_tables
from calib.logs.words import nearest, stage_problem
from calib.records import PROCESS_WORDS, PROCESSES, STAGES

LOOKED_AT = 2000  # rows
MOST_WORDS = 60  # a column of more different words is no column of stages
# Words of the trade that columns are headed with; common practice, no source.
HEADINGS: dict[str, tuple[str, ...]] = {
    "build_id": (
        "build",
        "job",
        "job id",
        "build no",
        "build number",
        "job no",
        "print",
        "print id",
        "job name",
        "plate",
    ),
    "order_id": ("order", "order no", "order number", "ticket", "work order"),
    "process": ("technology", "method", "technique"),
    "machine": ("printer", "machine id", "machine name"),
    "parts": ("pieces", "quantity", "qty", "count", "pcs", "number of parts"),
    "stage": ("step", "operation", "task", "activity", "process step", "work step"),
    "started_at": ("start", "begin", "started", "start time", "from", "begun"),
    "ended_at": ("end", "finish", "ended", "finished", "end time", "stop", "to", "until"),
    "date": ("day",),
    "work_min": ("minutes", "duration", "time", "min", "time taken", "hours", "time spent"),
    "station": ("bench", "place", "equipment", "workplace", "device"),
    "operator": ("person", "who", "worker", "name", "by", "staff", "technician", "employee"),
    "note": ("comment", "comments", "remarks", "notes", "remark"),
    "material": ("resin", "powder", "filament"),
    "material_lot": ("lot", "batch"),
    "layer_mm": ("layer", "layer height", "layer thickness"),
    "height_mm": ("height", "z", "build height"),
    "part_volume_cm3": ("volume", "part volume"),
    "material_g": ("weight", "grams", "mass", "material g"),
    "material_ml": ("ml", "millilitres"),
    "announced_min": ("estimate", "estimated time", "print time", "planned time"),
    "part_file": ("file", "file name", "filename", "model"),
    "paused_min": ("pause", "paused", "break"),
    "outcome": ("result", "status", "state"),
    "at": ("when", "timestamp"),
    "what": ("event",),
}
FORMATS = (
    "%d.%m.%Y %H:%M", "%d.%m.%Y %H:%M:%S", "%d/%m/%Y %H:%M", "%m/%d/%Y %H:%M", "%d/%m/%Y %H:%M:%S", "%m/%d/%Y %H:%M:%S",
    "%m/%d/%Y %I:%M %p", "%d-%m-%Y %H:%M", "%Y/%m/%d %H:%M", "%Y/%m/%d %H:%M:%S", "%d.%m.%y %H:%M", "%d %b %Y %H:%M",
    "%d.%m.%Y", "%d/%m/%Y", "%m/%d/%Y", "%d.%m.%y", "%Y/%m/%d", "%d %b %Y",
)  # fmt: skip


def propose_mapping(path: Path) -> dict[str, Any]:
    """Look at a file and propose how its columns become ours.

    Returns ``toml`` (the commented mapping), ``kind``, ``reasons`` (one sentence for each line), ``unsure`` (what a person
    must decide: the mapping is not to be used before). Raises LogFileError when the file is no table.
    """
    names, rows = _sample(path)
    values = {name: [row[name].strip() for row in rows if row[name].strip()] for name in names}
    kind = _kind(names, values)
    found = _columns(names, values, kind)
    reasons = [f'{ours}: column "{theirs}", {why}' for ours, (theirs, why) in found.items()]
    unsure = [
        f"which column is {c.name}? a log of {kind} needs it" for c in KINDS[kind] if c.needed and c.name not in found
    ]
    sections: dict[str, dict[str, str]] = {"formats": {}, "units": {}, "stages": {}, "processes": {}}
    commas = 0
    for ours, (theirs, _) in found.items():
        column = next((c for c in KINDS[kind] if c.name == ours), Column(ours))
        match column.kind:
            case "stamp" | "date":
                _propose_format(ours, values[theirs], sections["formats"], reasons, unsure)
            case "number":
                commas += _commas(values[theirs])
                _propose_unit(ours, theirs, values[theirs], sections["units"], reasons)
            case "stage":
                _propose_words(values[theirs], sections["stages"], _stage_of, unsure)
            case "process":
                _propose_words(values[theirs], sections["processes"], _process_of, unsure)
    used = {theirs for theirs, _ in found.values()}
    unused = [name for name in names if name not in used]
    text = _toml(path, kind, found, unused, sections, "," if commas else ".", unsure)
    return {"toml": text, "kind": kind, "reasons": reasons, "unsure": unsure}


def _sample(path: Path) -> tuple[list[str], list[dict[str, str]]]:
    """Names and the first rows of the file, as text."""
    with tempfile.TemporaryDirectory(prefix="calib-") as work:
        as_it_is = Mapping(kind="stages")
        table = read_tables(path, as_it_is, Path(work), direct=False)[0]
        with table.csv.open(encoding="utf-8", newline="") as opened:
            rows = [row for _, row in zip(range(LOOKED_AT), csv.DictReader(opened), strict=False)]
    if not rows:
        raise LogFileError(f"{path} has no rows below its header.", "Give a file with some rows to look at.")
    if all(row[FAULT] for row in rows):
        raise LogFileError(f"{path} is no table of text.", "Is it a log at all? Export it as CSV or XLSX.")
    return [name for name in rows[0] if name not in (LINE, FAULT)], rows


def _columns(names: list[str], values: dict[str, list[str]], kind: str) -> dict[str, tuple[str, str]]:
    """Our column -> theirs and why; by name first, then by what stands in them."""
    known = [column.name for column in KINDS[kind]]
    found: dict[str, tuple[str, str]] = {}
    for theirs in names:
        heading = _heading(theirs)
        own = next((name for name in known if name.replace("_", " ") == heading), None)
        ours = own or next((name for name in known if heading in HEADINGS.get(name, ())), None)
        if ours and ours not in found:
            found[ours] = (theirs, "has that name" if own else "is usually headed so")
    if kind == "stages" and "stage" not in found and (column := _stage_column(names, values)):
        found["stage"] = (column, "most of its cells look like stages")
    return found


def _heading(name: str) -> str:
    """
    >>> _heading("Duration (h)")
    'duration'
    """
    return plain_name(re.sub(r"[(\[].*?[)\]]", "", name)).replace("_", " ")


def _stage_column(names: list[str], values: dict[str, list[str]]) -> str | None:
    for theirs in names:
        words = Counter(value.lower() for value in values[theirs])
        hits = sum(count for word, count in words.items() if _stage_of(word))
        if len(words) <= MOST_WORDS and hits > len(values[theirs]) / 2:
            return theirs
    return None


def _kind(names: list[str], values: dict[str, list[str]]) -> str:
    """Stages where a column is headed so or its cells look so, or where there are starts and ends; else events or builds."""
    headings = {_heading(name) for name in names}

    def has(ours: str) -> bool:
        return bool(headings & {ours.replace("_", " "), *HEADINGS.get(ours, ())})

    if has("stage") or _stage_column(names, values) or (has("started_at") and has("ended_at")):
        return "stages"
    return "events" if has("what") and has("at") else "builds"


def _propose_format(
    ours: str, values: list[str], formats: dict[str, str], reasons: list[str], unsure: list[str]
) -> None:
    """ISO 8601 needs none; else each format that reads all cells, and a question where more than one does."""
    if not values or all(_reads(value, None) for value in values):
        return
    fitting = [form for form in FORMATS if all(_reads(value, form) for value in values)]
    if not fitting:
        unsure.append(f'{ours}: no known format reads all of its cells, such as "{values[0]}"')
        return
    formats[ours] = fitting[0]
    reasons.append(f"{ours}: {fitting[0]} reads all {len(values)} cells")
    if len(fitting) > 1:
        unsure.append(f'{ours}: "{values[0]}" can be read as {" or ".join(fitting)}; day first was taken')


def _reads(value: str, form: str | None) -> bool:
    try:
        _ = datetime.strptime(value, form) if form else datetime.fromisoformat(value)
    except ValueError:
        return False
    return True


def _commas(values: list[str]) -> int:
    """Numbers that have a decimal comma."""
    return sum("," in value and "." not in value.split(",")[-1] for value in values)


def _propose_unit(ours: str, theirs: str, values: list[str], units: dict[str, str], reasons: list[str]) -> None:
    if dimension(ours) == "min" and values:
        if all(clock_minutes(value) is not None for value in values):
            units[ours] = CLOCK
        elif not any(value.replace(",", ".").replace(".", "").isdigit() for value in values) and all(
            worded_minutes(value) is not None for value in values
        ):
            units[ours] = WORDS
    heading = theirs.lower().replace("(", " ").replace(")", " ").replace("[", " ").replace("]", " ").split()
    for unit in UNITS.get(dimension(ours), {}):
        said = unit in heading or (unit == "h" and "hours" in heading)
        if ours not in units and said and UNITS[dimension(ours)][unit] != 1:
            units[ours] = unit
    if ours in units:
        reasons.append(f'{ours}: unit "{units[ours]}", from the heading or the way its cells are written')


def _propose_words(values: list[str], words: dict[str, str], ours_of: Callable[[str], str], unsure: list[str]) -> None:
    for word, count in Counter(values).most_common(MOST_WORDS):
        ours = ours_of(word.lower())
        if ours != word.lower():
            words[word] = ours
        if not ours:
            unsure.append(f'what is "{word}" ({count} rows)?')
        elif ours not in (word.lower(), _plain(word)):
            unsure.append(f'is "{word}" ({count} rows) {ours}? it is the nearest word, no more')


def _stage_of(word: str) -> str:
    """Our stage for a word, or ''."""
    plain = _plain(word)
    if not stage_problem(plain):
        return plain
    near = nearest(plain, STAGES)
    return near[0] if near else ""


def _plain(word: str) -> str:
    return word.lower().replace(" ", "_").replace("-", "_")


def _process_of(word: str) -> str:
    code = PROCESS_WORDS.get(word, "")
    return word if code and word != code.lower() and word in PROCESS_WORDS else code.lower()


def _toml(
    path: Path,
    kind: str,
    found: dict[str, tuple[str, str]],
    unused: list[str],
    sections: dict[str, dict[str, str]],
    decimal: str,
    unsure: list[str],
) -> str:
    lines = [
        f"# How the columns of {path.name} become those of a log of {kind}. Look at every line, then import with --map."
    ]
    lines += ["#", "# To decide first:", *(f"#   {question}" for question in unsure)] if unsure else []
    lines += [f'kind = "{kind}"', f'decimal = "{decimal}"', "", "[columns]  # ours = theirs"]
    lines += [f"{ours} = {_quoted(theirs)}  # {why}" for ours, (theirs, why) in found.items()]
    lines += ['# started_at = ["Date", "Start"]  # a stamp from two columns']
    if unused:
        lines += [
            f"# Not used, kept as they are: {', '.join(map(_quoted, unused))}",
            f"# Ours that are free: {', '.join(column.name for column in KINDS[kind] if column.name not in found)}",
        ]
    for name, table in sections.items():
        if table:
            lines += ["", f"[{name}]"]
            lines += [_line(name, key, value) for key, value in table.items()]
    return "\n".join(lines) + "\n"


def _line(section: str, key: str, value: str) -> str:
    name = key if section in ("formats", "units") else _quoted(key)
    if not value:
        words = ", ".join(STAGES) if section == "stages" else ", ".join(PROCESSES)
        return f'# {name} = ""  # one of {words}'
    return f"{name} = {_quoted(value)}"


def _quoted(text: str) -> str:
    """A text as TOML has it, which is as JSON has it."""
    return json.dumps(text, ensure_ascii=False)
