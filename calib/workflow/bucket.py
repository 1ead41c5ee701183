"""A company's store in a bucket: a copy of it in a folder here, brought to what is there before, and sent after what was done.

An address has ``://`` in it; fsspec reads and writes it, with the rights that the machine has. All work is done in the folder.
Objects are put whole; a manifest goes last, what it no longer names is taken away after it.
"""

from __future__ import annotations

import hashlib
import json
import os
import socket
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

from calib.documents.store import CompanyExport
from calib.errors import CalibError, StoreError, UsageError
from calib.results import digest_of, written_beside
from calib.store.company import LOGS, MANIFEST, SITES
from calib.store.company_export import SENT
from calib.workflow.alone import LOCK, alone_in
from calib.workflow.company import SETTINGS, send_site

RESULTS = "results"
KNOWN = ".in-bucket.json"  # of the copy: name -> digest of the file here, mark of the object there, when both were one
NIGHT = "results/night.lock"  # an object that one night makes, and the next one cannot


@contextmanager
def company_folder(address: str, night: bool = False) -> Iterator[Path]:
    """The folder of a company's store; of one in a bucket a copy, whose results are sent back after a night.

    Raises StoreError where the bucket cannot be reached or another night is at work, UsageError where what reads it is not installed.
    """
    if "://" not in address:
        yield Path(address)
        return
    with _copy_of(address) as copy, copy.held(night):
        with copy.in_words():
            for place in (SITES, LOGS, RESULTS):  # manifests first: what one names was put before it
                copy.fetch(place)
        yield copy.folder
        if night:
            with copy.in_words():
                copy.send([RESULTS])


def send_site_to(address: str, shop: Path, site: str | None = None) -> CompanyExport:
    """As ``company.send_site``, to a folder or a bucket."""
    if "://" not in address:
        return send_site(shop, Path(address), site)
    with _copy_of(address) as copy:
        with copy.in_words():
            copy.fetch(SITES)
            copy.fetch(SETTINGS)
        sent = send_site(shop, copy.folder, site)
        with copy.in_words():
            copy.send([f"{SITES}/{sent['site']}", *(f"{LOGS}/{table}/site={sent['site']}" for table in SENT)])
    return {**sent, "company": address}


@contextmanager
def _copy_of(address: str) -> Iterator[_Copy]:
    copy = _Copy(address)
    with alone_in(copy.folder, LOCK, f"Other work on {address} is going on"):
        yield copy


class _Copy:
    """folder : of the copy, which stays for the next time; there : the bucket's files"""

    def __init__(self, address: str) -> None:
        try:
            from fsspec.core import url_to_fs
        except ImportError:
            raise UsageError(f"What reads {address} is not installed.", "pip install 'calib[bucket]'") from None
        self.address = address.rstrip("/")
        with self.in_words():
            self.there, self.root = url_to_fs(self.address, use_listings_cache=False)
        cache = Path(os.environ.get("XDG_CACHE_HOME") or Path.home() / ".cache")
        place = hashlib.sha256(self.address.encode()).hexdigest()[:12]
        self.folder = cache / "calib" / place / (self.address.rsplit("/", 1)[-1] or "company")

    @contextmanager
    def in_words(self) -> Iterator[None]:
        try:
            yield
        except CalibError:
            raise
        except ImportError as error:
            raise UsageError(
                f"What reads {self.address} is not installed: {error}.", "pip install 'calib[bucket]'"
            ) from None
        except Exception as error:  # each kind of bucket has errors of its own
            raise StoreError(
                f"{self.address} cannot be read or written: {type(error).__name__}: {str(error)[:200]}.",
                "Look at the address, the network and this machine's rights there; what was whole there still is.",
            ) from error

    @contextmanager
    def held(self, wanted: bool) -> Iterator[None]:
        """Hold off other nights. What an earlier one on this copy left is its own: the copy's lock says that it has ended."""
        if not wanted:
            yield
            return
        me = f"{socket.gethostname()} {self.folder}"
        with self.in_words():
            try:
                self.there.pipe_file(self._at(NIGHT), me.encode(), mode="create")
            except FileExistsError:
                who = self.there.cat_file(self._at(NIGHT)).decode(errors="replace")
                if who != me:
                    raise StoreError(
                        f"Another night is at work on {self.address} ({who[:200]}); nothing was changed.",
                        f"Let it end, then try again; if it was killed, remove {NIGHT} there.",
                    ) from None
        try:
            yield
        finally:
            with self.in_words():
                self.there.rm_file(self._at(NIGHT))

    def fetch(self, place: str) -> None:
        """Bring files below ``place`` to what is there; what is not there any more goes here too."""
        known, there = self._known(), self._listed(place)
        for name, mark in there.items():
            path = self.folder / name
            if not path.is_file() or known.get(name) != [digest_of(path), mark]:
                path.parent.mkdir(parents=True, exist_ok=True)
                with written_beside(path) as beside:
                    self.there.get_file(self._at(name), str(beside))
                known[name] = [digest_of(path), mark]
        for name in set(self._here(place)) - set(there):
            (self.folder / name).unlink()
        self._note(known)

    def send(self, places: list[str]) -> None:
        """Put what differs, manifests last; then take away what is not here any more."""
        known = self._known()
        here = {name for place in places for name in self._here(place)}
        there = {name: mark for place in places for name, mark in self._listed(place).items()}
        changed = [name for name in here if known.get(name) != [digest_of(self.folder / name), there.get(name)]]
        for name in sorted(changed, key=lambda one: (one.endswith(MANIFEST), one)):
            self.there.put_file(str(self.folder / name), self._at(name))
        for name in sorted(set(there) - here):
            self.there.rm_file(self._at(name))
        marks = {name: mark for place in places for name, mark in self._listed(place).items()}
        self._note(
            known | {name: [digest_of(self.folder / name), mark] for name, mark in marks.items() if name in here}
        )

    def _listed(self, place: str) -> dict[str, str]:
        """Name and mark of each object, the night's lock not among them."""
        try:
            found: dict[str, Any] = self.there.find(self._at(place), detail=True)
        except FileNotFoundError:
            return {}
        start = len(self.root.rstrip("/")) + 1
        named = {path[start:]: info for path, info in found.items()}
        return {name: _mark(info) for name, info in named.items() if name != NIGHT and ".." not in name.split("/")}

    def _here(self, place: str) -> list[str]:
        found = [self.folder / place, *(self.folder / place).rglob("*")]
        files = [path for path in found if path.is_file() and not path.name.startswith(".")]
        return [path.relative_to(self.folder).as_posix() for path in files]

    def _at(self, name: str) -> str:
        return f"{self.root.rstrip('/')}/{name}"

    def _known(self) -> dict[str, list[str]]:
        try:
            found = json.loads((self.folder / KNOWN).read_text(encoding="utf-8"))
        except (OSError, ValueError):
            return {}
        return found if isinstance(found, dict) else {}

    def _note(self, known: dict[str, list[str]]) -> None:
        with written_beside(self.folder / KNOWN) as beside:
            beside.write_text(json.dumps(known), encoding="utf-8")


def _mark(info: dict[str, Any]) -> str:
    """What changes when an object does: its size, and the tag or time that its kind of bucket gives it."""
    named = (
        info.get(key)
        for key in ("size", "ETag", "etag", "md5Hash", "mtime", "created", "LastModified", "last_modified")
    )
    return hashlib.sha256(str([str(one) for one in named]).encode()).hexdigest()[:24]
