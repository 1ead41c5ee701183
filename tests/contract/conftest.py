"""A shop with the file formats of docs/interface.md, and calib called in it as a program would."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from calib.cli.app import run
from calib.shop.template import shop_text
from calib.store.open_store import STORE_NAME, open_store

ZONE = "Europe/Berlin"


@pytest.fixture(scope="session")
def empty_store(tmp_path_factory):
    """The bytes of a new store: its migrations take longer than most tests."""
    folder = tmp_path_factory.mktemp("empty")
    with open_store(folder, create=True):
        pass
    return (folder / STORE_NAME).read_bytes()


class Lab:
    """A shop's folder; ``take`` imports texts as files and returns the document of the import."""

    def __init__(self, folder: Path, capsys):
        self.folder, self.capsys, self.files = folder, capsys, 0

    def write(self, text, name=""):
        self.files += 1
        path = self.folder.parent / (name or f"log{self.files}.csv")
        path.write_bytes(text if isinstance(text, bytes) else text.encode())
        return path

    def take(self, *texts, options=()):
        paths = [text if isinstance(text, Path) else self.write(text) for text in texts]
        return self.document("import", *map(str, paths), *options)

    def call(self, *words):
        """Exit status, standard output, standard error."""
        self.capsys.readouterr()
        status = run([*words, "--shop", str(self.folder)])
        captured = self.capsys.readouterr()
        return status, captured.out, captured.err

    def document(self, *words):
        status, out, err = self.call(*words, "--json")
        assert status == 0, out + err
        return json.loads(out)

    def rows(self, sql):
        with open_store(self.folder, read_only=True) as store:
            return store.execute(sql).fetchall()


@pytest.fixture
def lab(tmp_path, empty_store, capsys, monkeypatch):
    monkeypatch.delenv("CALIB_SHOP", raising=False)
    folder = tmp_path / "lab"
    folder.mkdir()
    (folder / "shop.toml").write_text(shop_text(ZONE), encoding="utf-8")
    (folder / STORE_NAME).write_bytes(empty_store)
    return Lab(folder, capsys)


FATES = ("rows_new", "rows_corrected", "rows_repeated", "rows_held", "rows_quarantined")


@pytest.fixture
def fates():
    """new, corrected, repeated, held, quarantined of one file; checks that they add up to what was read."""

    def of(document, number=0):
        file = document["files"][number]
        assert sum(file[name] for name in FATES) == file["rows_read"]
        return tuple(file[name] for name in FATES)

    return of
