"""Names of the shop file that were changed: the old one is read as the new one, with a note."""

from __future__ import annotations

from typing import Any

OF_A_MACHINE = {"packing_limit": "cake_fill_limit"}


def take_new_names(data: dict[str, Any]) -> list[str]:
    """Give entries of [[machine]], and their changes, the names of today, in place; returns a note for each old name.

    >>> file = {"machine": [{"id": "bed-1", "packing_limit": 0.2, "change": [{"from": "2026-05-01", "packing_limit": 0.3}]}]}
    >>> take_new_names(file)
    ['packing_limit is called cake_fill_limit now, and was read as that.']
    >>> file["machine"][0]["cake_fill_limit"], file["machine"][0]["change"][0]["cake_fill_limit"]
    (0.2, 0.3)
    """
    old_names = dict.fromkeys(old for table in _machines(data) for old in OF_A_MACHINE if old in table)
    for table in _machines(data):
        for old, new in OF_A_MACHINE.items():
            if old in table and new not in table:
                table[new] = table.pop(old)
    return [f"{old} is called {OF_A_MACHINE[old]} now, and was read as that." for old in old_names]


def _machines(data: dict[str, Any]) -> list[dict[str, Any]]:
    """Tables of machines and of their changes; what is no table is reported where it is read."""
    entries = [table for table in _listed(data.get("machine")) if isinstance(table, dict)]
    changes = [table for entry in entries for table in _listed(entry.get("change")) if isinstance(table, dict)]
    return [*entries, *changes]


def _listed(value: Any) -> list[Any]:
    return value if isinstance(value, list) else []
