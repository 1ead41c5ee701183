"""The one writer of files that a user names: what stands there already is replaced only where calib wrote it.

A page carries a mark of its kind and of its bytes in its last line; a table is known by its header; tables that can be
mistaken for logs (exports, rows to mend) are known by their digests, which stand in a hidden file of their folder.
"""

from __future__ import annotations

import hashlib
import json
import os
import secrets
import stat
from collections.abc import Iterable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path

from calib.errors import UsageError

SHOP_FILES = ("shop.toml", "shop.duckdb")  # either makes a folder a shop
MAPS = "maps"  # folder of a shop in which its mappings are kept
PARTS = "parts"
PATHS = "paths"
OWN_FOLDERS = ("logs", PARTS, PATHS, MAPS, "templates", "backups", "taps")
OWN_ENDINGS = (".duckdb", ".wal", ".lock")
WRITTEN = ".calib-results.json"  # name -> digests of the files that calib wrote into a folder
NOT_WRITTEN = "Allow it, or free some space, and try again; or name another place."
PART = ".calib-part"  # ends the name of a file that is not whole yet

SHEET, INWARD, COMPARISON, WEEK = "quote sheet", "inward quote sheet", "comparison", "week's page"
COMPANY = "company's page"
PAGES = (SHEET, INWARD, COMPARISON, WEEK, COMPANY)
PREDICTION = "table of predictions"
PREDICTED = "build_id,process,stage,baseline_min,baseline_basis,mean_min,"  # how its header begins
EXPORT, TO_MEND = "export", "list of rows to mend"
LISTED = (EXPORT, TO_MEND)
MAPPING = "mapping"  # is never written over, and may stand in maps


@dataclass(frozen=True)
class Result:
    """A file that a user named, to be written.

    kind : SHEET ... TO_MEND; only an earlier one of the same kind is replaced, and only as calib wrote it
    overwrite : replace whatever stands there, but for a shop's own files
    reads : what the same call reads, which is never written over
    header : first line of a PREDICTION
    """

    path: Path
    kind: str
    overwrite: bool = False
    reads: tuple[Path, ...] = ()
    header: str = ""

    def check(self) -> Path:
        """The plain file that is to be written, links resolved; its folder is made.

        Raises UsageError where it cannot be written, belongs to a shop, or holds what calib did not write; asked before
        anything is stored that the file is to show.
        """
        with _in_words(self.path):
            target = refuse_own_place(self.path, self.kind)
            if target.exists():
                _refuse_strange_file(self.path, target, self.reads)
                if not (self.overwrite or target.stat().st_size == 0 or self._is_earlier(target)):
                    raise UsageError(
                        f"{self.path} is there already, and is no {self.kind} as calib wrote it; nothing was changed.",
                        "Name another file, or say --overwrite to replace it.",
                    )
            target.parent.mkdir(parents=True, exist_ok=True)
            with _new_file_beside(target):
                return target

    def write(self, content: str) -> None:
        data = content.encode()
        with self.writing() as beside, _in_words(self.path):
            beside.write_bytes(_marked(data, self.kind) if self.kind in PAGES else data)

    @contextmanager
    def writing(self) -> Iterator[Path]:
        """Gives an empty file beside it, which takes its place at the end, or is gone where anything fails."""
        write = writing_listed if self.kind in LISTED else written_beside
        with write(self.check()) as beside:
            yield beside

    def _is_earlier(self, target: Path) -> bool:
        if self.kind in PAGES:
            return _is_marked(target.read_bytes(), self.kind)
        if self.kind in LISTED:
            return is_listed(target)
        with target.open("rb") as opened:
            return opened.readline().rstrip(b"\r\n") == self.header.encode()


def check_results(*results: Result) -> None:
    """Ask all of them before the first is written; raises UsageError also where two are to be one file."""
    targets = [one.check() for one in results]
    for target in targets:
        if targets.count(target) > 1:
            raise UsageError(f"{target} is named for two results.", "Give each a file of its own.")


@contextmanager
def written_beside(target: Path) -> Iterator[Path]:
    """Gives an empty file beside ``target``, under a name that nobody has, and puts it in its place at the end."""
    with _new_file_beside(target) as beside:
        yield beside
        with _in_words(target):
            if target.exists():
                beside.chmod(stat.S_IMODE(target.stat().st_mode))
            os.replace(beside, target)


@contextmanager
def writing_listed(target: Path) -> Iterator[Path]:
    """As ``written_beside``; the file is listed in its folder too, so that it is known later whether somebody changed it."""
    with written_beside(target) as beside:
        yield beside
        _list_digest(target, digest_of(beside))


@contextmanager
def _new_file_beside(target: Path) -> Iterator[Path]:
    beside = target.with_name(f".{secrets.token_hex(8)}{PART}")
    with _in_words(target):
        os.close(os.open(beside, os.O_CREAT | os.O_EXCL | os.O_WRONLY, 0o666))
    try:
        yield beside
    finally:
        beside.unlink(missing_ok=True)


def is_listed(path: Path) -> bool:
    """Whether a file is a result as calib wrote it into its folder: nobody has changed it since."""
    listed = _listed(path.parent).get(path.name)
    return listed is not None and digest_of(path) in listed


def is_result(path: Path) -> bool:
    """Whether it is a table that calib wrote and nobody changed: no log, though it may have the columns of one."""
    if is_listed(path):
        return True
    with path.open("rb") as opened:
        return opened.readline(len(PREDICTED)) == PREDICTED.encode()


def digest_of(path: Path) -> str:
    with path.open("rb") as opened:
        return hashlib.file_digest(opened, "sha256").hexdigest()


def is_shop(folder: Path) -> bool:
    return any((folder / name).exists() for name in SHOP_FILES)


@contextmanager
def _in_words(path: Path) -> Iterator[None]:
    try:
        yield
    except (OSError, ValueError, RuntimeError) as error:  # a name with a NUL, or a link that leads to itself
        why = getattr(error, "strerror", None) or str(error)
        raise UsageError(f"{_short(path)} cannot be written: {why}.", NOT_WRITTEN) from error


def _short(path: Path) -> str:
    text = str(path)
    return text if len(text) <= 200 else f"{text[:100]}...{text[-50:]}"


def refuse_own_place(path: Path, kind: str) -> Path:
    """The file, links resolved. UsageError where a file belongs to a shop, or stands where a shop keeps files of its own."""
    with _in_words(path):
        target = path.resolve()
    for folder in target.parents:
        if not is_shop(folder):
            continue
        first, *below = target.relative_to(folder).parts
        plain = first.casefold()
        if below and plain in OWN_FOLDERS and not (kind == MAPPING and plain == MAPS):
            raise UsageError(
                f"{path} is in {first}, where the shop keeps its own {first}: no result is written there.",
                "Name another place.",
            )
        if not below and (plain in SHOP_FILES or plain.endswith(OWN_ENDINGS)):
            raise UsageError(f"{path} is a file of the shop itself: no result is written there.", "Name another file.")
    return target


def _refuse_strange_file(path: Path, target: Path, reads: Iterable[Path]) -> None:
    if target.is_dir():
        raise UsageError(f"{path} is a folder.", "Name a file in it.")
    if not target.is_file():
        raise UsageError(f"{path} is no plain file: a device or pipe is not written over.", "Name another file.")
    if any(one.exists() and one.samefile(target) for one in reads):
        raise UsageError(f"{path} is what is read here: it is not written over.", "Name another file.")
    if target.suffix.casefold() == ".toml" or _is_store(target):
        raise UsageError(
            f"{path} is there already, and no shop file, mapping or store is ever written over.", "Name another file."
        )


def _is_store(target: Path) -> bool:
    with target.open("rb") as opened:
        return opened.read(12)[8:] == b"DUCK"


def _marked(page: bytes, kind: str) -> bytes:
    page = page if page.endswith(b"\n") else page + b"\n"
    return page + f"<!-- calib: {kind}, {hashlib.sha256(page).hexdigest()} -->\n".encode()


def _is_marked(page: bytes, kind: str) -> bool:
    """Whether its last line says this kind, and the digest of all above it."""
    above = page[: page[:-1].rfind(b"\n") + 1]
    return page == _marked(above, kind)


def _listed(folder: Path) -> dict[str, list[str]]:
    try:
        found = json.loads((folder / WRITTEN).read_text(encoding="utf-8"))
    except (OSError, ValueError):
        return {}
    return found if isinstance(found, dict) else {}


def _list_digest(target: Path, digest: str) -> None:
    """List a file before it is put in its place; the one before stays listed, should that not come to be."""
    listed = _listed(target.parent)
    listed[target.name] = [*listed.get(target.name, [])[-1:], digest]
    with written_beside(target.parent / WRITTEN) as beside:
        beside.write_text(json.dumps(listed), encoding="utf-8")
