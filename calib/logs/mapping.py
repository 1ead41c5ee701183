"""Other people's columns, units, formats and words -> ours, as a mapping file (TOML) says."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, field

from calib.logs.text_file import Row


@dataclass
class Mapping:
    """columns : our name -> theirs
    kind : what the file is, where its columns do not say
    sheet : sheet of a workbook
    notes : what was noticed while it was applied
    """

    columns: dict[str, str] = field(default_factory=dict)
    kind: str | None = None
    sheet: str | None = None
    notes: list[str] = field(default_factory=list)

    @property
    def source_names(self) -> frozenset[str]:
        return frozenset(self.columns.values())

    def apply(self, shown: str, names: tuple[str, ...], found: Iterable[Row]) -> tuple[tuple[str, ...], Iterable[Row]]:
        ours = {theirs: name for name, theirs in self.columns.items()}
        return tuple(ours.get(name, name) for name in names), found
