"""A calibrator that remembers what it answered: the same question is reckoned once."""

from __future__ import annotations

import pickle
from collections import OrderedDict
from collections.abc import Callable, Sequence
from functools import partial
from typing import TypeVar

import numpy as np
import pandas as pd

from calib.quoting.learned import Predictor

MOST_BYTES = 64 << 20  # of answers; the oldest go first; our choice
FRAME_BYTES = 3500  # what a pandas frame and its place here hold beside the values: tracemalloc over 3,000 small ones
Answer = TypeVar("Answer", np.ndarray, pd.DataFrame)


class Remembered:
    """The same numbers as ``calibrator`` gives, to the last bit; each answer may be changed by who gets it."""

    def __init__(self, calibrator: Predictor) -> None:
        self.calibrator = calibrator
        self._kept: OrderedDict[bytes, np.ndarray | pd.DataFrame] = OrderedDict()
        self._bytes = 0

    def predict(self, rows: pd.DataFrame, quantiles: tuple[float, ...] = (0.5,)) -> pd.DataFrame:
        return self._once(_question(rows, quantiles), lambda: self.calibrator.predict(rows, quantiles=quantiles))

    def draws(self, rows: pd.DataFrame, n: int, seed: int) -> np.ndarray:
        return self.draws_each([rows], n, [seed])[0]

    def draws_each(self, frames: Sequence[pd.DataFrame], n: int, seeds: Sequence[int]) -> list[np.ndarray]:
        questions = [_question(rows, (n, seed)) for rows, seed in zip(frames, seeds, strict=True)]
        new = [i for i, question in enumerate(questions) if question not in self._kept]
        made = dict(
            zip(new, self.calibrator.draws_each([frames[i] for i in new], n, [seeds[i] for i in new]), strict=True)
        )

        def answer(i: int) -> np.ndarray:  # one that is no longer kept, for those before it came in
            return made[i] if i in made else self.calibrator.draws(frames[i], n, seeds[i])

        return [self._once(question, partial(answer, i)) for i, question in enumerate(questions)]

    def _once(self, question: bytes, answer: Callable[[], Answer]) -> Answer:
        found: Answer | None = self._kept.pop(question, None)  # type: ignore[assignment]
        if found is None:
            found = answer()
            self._bytes += _size(found) + len(question)
        self._kept[question] = found
        while self._bytes > MOST_BYTES:
            question, oldest = self._kept.popitem(last=False)
            self._bytes -= _size(oldest) + len(question)
        return found.copy()


def _question(rows: pd.DataFrame, asked: tuple[float, ...]) -> bytes:
    return pickle.dumps((asked, rows.index.tolist(), {name: rows[name].tolist() for name in rows}))


def _size(answer: np.ndarray | pd.DataFrame) -> int:
    return answer.nbytes if isinstance(answer, np.ndarray) else int(answer.memory_usage().sum()) + FRAME_BYTES
