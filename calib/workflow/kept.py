"""What was read of a shop, for as long as nothing in it has changed: for a program that answers many questions."""

from __future__ import annotations

from collections.abc import Callable, Hashable, Iterable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, TypeVar

from calib.store.one_writer import hold_writing
from calib.store.open_store import WAIT_S
from calib.store.state import State, state_of_store

MOST_SHOPS, MOST_ANSWERS = 2, 12  # our choice: one lab and a neighbour; a page asks for fewer
MEASURED = ("parts", "paths")  # folders whose files are measured for the builds that name them
T = TypeVar("T")


@dataclass(eq=False)
class _Shop:
    """state : of the store and of the measured files when all this was read; answers : what, to value and the names of parts
    that it is made of"""

    state: State
    answers: dict[Hashable, tuple[Any, frozenset[str]]] = field(default_factory=dict)


_SHOPS: dict[Path, _Shop] = {}


def state_of_shop(folder: Path) -> State:
    """Changes whenever anything was stored, or a file that builds are measured by."""
    files = [(path.name, status.st_size, status.st_mtime_ns)
             for name in MEASURED for path in (folder / name).glob("*") if (status := path.stat())]  # fmt: skip
    return (*state_of_store(folder), *sorted(files))


def once(folder: Path, what: Hashable, read: Callable[[], T], parts: Callable[[T], Iterable[str]] = lambda _: ()) -> T:
    """What ``read`` gives, read anew when anything was written to the shop's store since, by whomever, or a part has changed.

    what : names it; it must hold all that the answer depends on beside the store
    parts : names of the parts that the answer is made of
    """
    key, state = folder.resolve(), state_of_shop(folder)
    shop = _SHOPS.get(key)
    if shop is None or shop.state != state:
        shop = _Shop(state)
    if what not in shop.answers:
        value = read()
        if not state or state_of_shop(folder) != state:
            return value  # written meanwhile: good for this time
        shop.answers[what] = value, frozenset(parts(value))
        for oldest in list(shop.answers)[:-MOST_ANSWERS]:
            shop.answers.pop(oldest, None)
    _SHOPS.pop(key, None)
    _SHOPS[key] = shop
    for other in list(_SHOPS)[:-MOST_SHOPS]:
        _SHOPS.pop(other, None)
    return shop.answers[what][0]  # type: ignore[no-any-return]


@contextmanager
def only_a_look(folder: Path, parts: Iterable[str]) -> Iterator[None]:
    """What is written inside are answers that nobody has taken, and these parts: all else that was read stays good."""
    with hold_writing(folder, WAIT_S):
        shop = _SHOPS.get(folder.resolve())
        was_good = shop is not None and shop.state == state_of_shop(folder)
        yield
        if shop is not None and was_good:
            shop.state = state_of_shop(folder)
            named = set(parts)
            shop.answers = {what: kept for what, kept in shop.answers.items() if named.isdisjoint(kept[1])}
