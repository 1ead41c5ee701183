"""What came in, what waits for a person, and the next step: import and map as text."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from itertools import groupby
from pathlib import Path

from rich.console import RenderableType
from rich.table import Table

from calib.documents.logs import (
    ImportDocument,
    ImportedFile,
    MapDocument,
    MappingLine,
    Question,
    ReviewDocument,
    SetAsideRow,
    Step,
)
from calib.documents.model import FitDocument
from calib.report.terminal import as_text, listed, table
from calib.report.units import count, day, stage_name

FATES = ("new", "corrected", "known", "waiting for their build", "set aside")
SHOWN = 10  # rows set aside that are listed; the others are a command away


def show_import(doc: ImportDocument) -> str:
    """What became of every row, then what waits for a person, then how the logs do, then the next step."""
    shown: list[RenderableType] = [*files_table(doc), *set_aside_lines(doc), *question_lines(doc), *health_lines(doc)]
    shown += [*listed(doc, "warnings"), *own_route_lines(doc), *log_next_lines(doc)]
    if doc.get("dry_run"):
        shown.append("This was a trial: nothing was stored.")
    steps = listed(doc, "next_steps")
    return as_text(*shown, *(next_lines(steps) if steps else []))


def next_lines(steps: Iterable[Step]) -> list[str]:
    """Commands with what they are for, one below the other."""
    steps = list(steps)
    wide = max(len(step["command"]) for step in steps)
    return ["Next:", *(f"  {step['command']:<{wide}}  {step['for']}".rstrip() for step in steps)]


def files_table(doc: ImportDocument) -> list[RenderableType]:
    """A line for each file that brought something; those that were known are counted."""
    files = [file for file in doc["files"] if not file.get("error")]
    fresh = {file["path"] for file in listed(doc, "quarantine")}
    news = [file for file in files if _brought_something(file) or Path(file["path"]).name in fresh]
    shown: list[RenderableType] = [_table_of(news)] if news else []
    known = [file for file in files if file not in news]
    if known:
        which = known[0]["path"] if len(known) == 1 else count(len(known), "file")
        before = sum(file["rows_quarantined"] for file in known)
        aside = f", {before} set aside before" if before else ""
        rows = sum(file["rows_read"] for file in known)
        shown.append(f"{which}: nothing new in {count(rows, 'row')}{aside}." if rows else f"{which}: no rows.")
    waiting = sum(file["rows_held"] for file in files)
    if waiting:
        shown.append(f"{count(waiting, 'row')} waiting for the build or order they name; they join when its row comes.")
    if doc.get("joined"):
        shown.append(f"{count(doc['joined'], 'row')} that waited joined their builds.")
    return shown + [f"Not read: {file['error']} {file['hint']}".rstrip() for file in doc["files"] if file.get("error")]


def _brought_something(file: ImportedFile) -> bool:
    return bool(file["rows_new"] or file["rows_corrected"] or file["rows_held"])


def _table_of(files: list[ImportedFile]) -> Table:
    rows = [[file["path"], file["kind"], *(number or "" for number in fates_of(file))] for file in files]
    if len(files) > 1:
        sums = map(sum, zip(*map(fates_of, files), strict=True))
        rows.append([f"{len(files)} files", "", *sums])
    return table("file|log of|>rows|>new|>corrected|>known|>waiting|>set aside", rows)


def fates_of(file: ImportedFile) -> tuple[int, ...]:
    """Rows read, and of them new, corrected, known, waiting and set aside."""
    return (
        file["rows_read"], file["rows_new"], file["rows_corrected"], file["rows_repeated"], file["rows_held"],
        file["rows_quarantined"],
    )  # fmt: skip


def set_aside_lines(doc: ImportDocument) -> list[str]:
    """The rows that this import set aside, and had not set aside before."""
    sentences = list(set_aside_sentences(listed(doc, "quarantine")))
    if not sentences:
        return []
    number = sum(entry["rows_quarantined"] for entry in doc["files"])
    lines = [f"Set aside, {count(number, 'row')}:", *(f"  {entry}" for entry in sentences[:SHOWN])]
    return lines + (["  ... the others: calib set-aside"] if number > len(sentences[:SHOWN]) else [])


def set_aside_sentences(rows: Iterable[SetAsideRow]) -> Iterator[str]:
    """One sentence for each row set aside: its place, then every value with what is wrong with it."""
    for _, problems in groupby(rows, key=lambda problem: problem["reject_id"]):
        first, *others = problems
        yield "; ".join([f"{first['path']} line {first['line']}, {_problem(first)}", *map(_problem, others)])


def _problem(problem: SetAsideRow) -> str:
    value = f' "{problem["value"]}"' if problem["value"] is not None else ""
    return f"{problem['column'] or 'the row'}{value} {problem['reason']}"


def question_lines(doc: ImportDocument) -> list[str]:
    """This week's questions; 'of' how many is shown where there are more."""
    questions = listed(doc, "review")
    if not questions:
        return []
    more = f" (of {doc['review_open']})" if doc.get("review_open", 0) > len(questions) else ""
    return [f"To ask a person, the largest effect first{more}:", *map(question_line, questions)]


def question_line(mark: Question) -> str:
    return f"  {mark['mark_id']:>3}  {mark['sentence']}"


def health_lines(doc: ImportDocument) -> list[str]:
    """When each machine logged last, and which are silent."""
    silent = {log["machine"] for log in listed(doc, "silent_machines")}
    named = [f"{log['machine']} silent since {day(log['last'])}" for log in listed(doc, "silent_machines")]
    lines = [f"Longer than usual without a print: {', '.join(named)}. Is its log missing?"] if named else []
    by_day: dict[str, list[str]] = {}
    for log in listed(doc, "last_logs"):
        if log["machine"] not in silent:
            by_day.setdefault(log["last"], []).append(log["machine"])
    if by_day:
        days = "; ".join(f"{day(last)}: {', '.join(by_day[last])}" for last in sorted(by_day, reverse=True))
        lines.append(f"Last log of each machine: {days}.")
    return lines


def log_next_lines(doc: ImportDocument | FitDocument) -> list[str]:
    """Which stages a few more logged runs would make surer, as the last fit says."""
    lines = []
    for advice in doc.get("log_next") or ():
        where = {"all": "", "material": f" in {advice['value']}"}.get(advice["by"], f" on {advice['value']}")
        lines.append(
            f"  {advice['more']} runs of {advice['process']} {stage_name(advice['stage'])}{where} would narrow this stage from "
            f"±{advice['now_pct']:.0f} % to ±{advice['then_pct']:.0f} % ({count(advice['runs'], 'run')} logged)"
        )
    return ["What to log next:", *lines] if lines else []


def own_route_lines(doc: ImportDocument | FitDocument | ReviewDocument) -> list[str]:
    """Routes that the logs show and the shop file has not, with the lines to write."""
    lines = []
    for proposal in doc.get("own_routes") or ():
        stages = (("without", proposal["left_out"]), ("with", proposal["added"]))
        other = [f"{word} {', '.join(map(stage_name, named))}" for word, named in stages if named]
        other += ["in another order"] if proposal["moved"] else []
        lines += [
            f"{count(proposal['builds'], 'build')} by {proposal['process']} went another way than the shop file's route: "
            f"{'; '.join(other)}. To take it over, write in shop.toml:",
            *(f"  {line}" for line in proposal["lines"]),
        ]
    return lines


def show_map(doc: MapDocument) -> str:
    """The proposal with its reasons, the questions, what a trial brought, the next step."""
    kinds = {(line["table"], line["ours"]) for line in doc["lines"]}
    looks = (
        "looks like"
        if any(table == "columns" for table, _ in kinds)
        else "has no column that calib knows, and is taken for"
    )
    notes = f" ({'; '.join(doc['notes'])})" if doc["notes"] else ""
    shown: list[RenderableType] = [
        f"{doc['file']} {looks} a log of {doc['kind']}{notes}. The proposal is written to {doc['mapping']}:",
        *_proposal_tables(doc["lines"]),
    ]
    if doc["unsure"]:
        shown += [
            "To decide first, each marked with '?' in that file:",
            *(f"  {question}" for question in doc["unsure"]),
        ]
    shown += _trial_lines(doc["would_come_in"]) if doc["would_come_in"] else [f"Tried: {doc['trial_error']}"]
    return as_text(*shown, *next_lines(doc["next_steps"]))


def _proposal_tables(lines: Iterable[MappingLine]) -> Iterator[RenderableType]:
    """Columns first, then how times and numbers are written, then words, those of one kind on one line."""
    titles = {"columns": "column", "wide": "stage", "start_stop": "runs", "formats": "format of", "units": "unit of",
              "": "", "defaults": "always"}  # fmt: skip
    rows = [[titles[line["table"]], line["ours"], line["theirs"], line["why"]] for name in titles for line in lines
            if line["table"] == name and (name or line["why"])]  # fmt: skip
    if rows:
        yield table("|ours|theirs|why", rows)
    words: dict[str, list[str]] = {}
    for line in lines:
        if line["table"] not in titles:
            words.setdefault(line["table"], []).append(f"{line['theirs']} = {line['ours']}")
    yield from (f"  Words for {name.removeprefix('words.')}: {', '.join(pairs)}." for name, pairs in words.items())


def _trial_lines(trial: ImportDocument) -> list[RenderableType]:
    read, *sums = map(sum, zip(*map(fates_of, trial["files"]), strict=True))
    fates = ", ".join(f"{number} {word}" for number, word in zip(sums, FATES, strict=True) if number)
    line = f"Tried without storing: {count(read, 'row')} read: {fates or 'nothing'}."
    unused = dict.fromkeys(name for file in trial["files"] for name in file["kept_columns"])
    return [
        line,
        *set_aside_lines(trial),
        *([f"Columns not mapped, kept as they are: {', '.join(unused)}."] if unused else []),
    ]
