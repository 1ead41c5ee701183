"""A mapping file (TOML) read and checked."""

from __future__ import annotations

from pathlib import Path

from calib.errors import LogFileError
from calib.logs.mapping import Mapping


def read_mapping(path: Path) -> Mapping:
    import tomllib

    try:
        data = tomllib.loads(path.read_text(encoding="utf-8-sig"))
    except (OSError, UnicodeDecodeError, tomllib.TOMLDecodeError) as error:
        raise LogFileError(f"{path}: the mapping cannot be read: {error}.", "It must be TOML in UTF-8.") from error
    return Mapping(
        columns={ours: str(theirs) for ours, theirs in data.get("columns", {}).items()}, kind=data.get("kind")
    )
