"""Bytes of a machine's path -> its words (a letter and a number), as arrays; a block is a line."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

MOST_DIGITS = 18  # of a number: longer ones are no coordinates
POWERS = 10.0 ** np.arange(MOST_DIGITS + 1)
NEWLINE, SEMICOLON, STAR, PERCENT, OPEN, CLOSE = (ord(sign) for sign in "\n;*%()")
DOT, PLUS, MINUS = (ord(sign) for sign in ".+-")


@dataclass(frozen=True, eq=False)
class Words:
    """Words in the order of the file.

    letter : shape (n,), upper case, as its byte [-]
    value : shape (n,), NaN where no number follows the letter
    block : shape (n,), number of the line, from 0 [-]
    blocks : how many lines there are
    """

    letter: np.ndarray
    value: np.ndarray
    block: np.ndarray
    blocks: int


def read_words(text: bytes) -> Words:
    """The words of a piece of a path that ends with a whole line.

    What stands in brackets, behind a semicolon or behind a star (a checksum) is no word; case and blanks do not count.

    Source: ISO 6983-1:2009, program words and remarks in brackets; semicolon and star: common practice, no source.

    >>> words = read_words(b"N10 G1 x-1.5Y .25 (a remark) F1200 ; more")
    >>> [(chr(letter), float(value)) for letter, value in zip(words.letter, words.value)]
    [('N', 10.0), ('G', 1.0), ('X', -1.5), ('Y', 0.25), ('F', 1200.0)]
    """
    signs = np.frombuffer(text, np.uint8)
    is_end = signs == NEWLINE
    signs = signs[_counts(signs, is_end)]
    small = (signs >= ord("a")) & (signs <= ord("z"))
    signs = signs - 32 * small.astype(np.uint8)
    is_letter = (signs >= ord("A")) & (signs <= ord("Z"))
    is_end = signs == NEWLINE
    starts = np.flatnonzero(is_letter).astype(np.int32)
    ends_word = is_letter | is_end
    stops = np.append(np.flatnonzero(ends_word), len(signs)).astype(np.int32)
    after = stops[np.flatnonzero(is_letter[ends_word]) + 1]
    lines = np.cumsum(is_end, dtype=np.int32)
    blocks = int(lines[-1]) if len(lines) else 0
    block = lines[starts]
    return Words(signs[starts], _numbers(signs, starts + 1, after), block, blocks + bool(len(signs) and not is_end[-1]))


def _counts(signs: np.ndarray, is_end: np.ndarray) -> np.ndarray:
    """Which bytes are no blanks, no remarks and no checksums; line ends always count."""
    counts = (signs > ord(" ")) & (signs != PERCENT)
    last_end = _last(is_end)
    for starts_remark in (signs == SEMICOLON, signs == STAR):
        if starts_remark.any():
            counts &= _last(starts_remark) <= last_end
    opens = signs == OPEN
    if opens.any():
        last_open = _last(opens)
        closes = signs == CLOSE
        counts &= ~closes & (last_open <= np.maximum(last_end, _last(closes)))
    kept: np.ndarray = counts | is_end
    return kept


def _last(flags: np.ndarray) -> np.ndarray:
    """Place of the last flag up to each place, -1 before the first."""
    places = np.where(flags, np.arange(len(flags), dtype=np.int32), np.int32(-1))
    return np.maximum.accumulate(places)


def _numbers(signs: np.ndarray, start: np.ndarray, stop: np.ndarray) -> np.ndarray:
    """Decimal numbers that stand from start to before stop; NaN where there is none, or something else.

    Each digit counts its power of ten by how far it stands from the end of its number.
    """
    if not len(start):
        return np.zeros(0)
    digit = signs - ord("0")  # wraps round for what stands before '0'
    is_digit, is_dot = digit <= 9, signs == DOT
    is_digit[: start[0]] = False
    digits_before, dots_before = _running(is_digit), _running(is_dot)
    digits, dots = (before[stop] - before[start] for before in (digits_before, dots_before))
    first = np.append(signs, NEWLINE)[start]
    negative = first == MINUS
    known = (digits > 0) & (digits <= MOST_DIGITS) & (dots <= 1)
    known &= digits + dots + (negative | (first == PLUS)) == stop - start
    dot_places = np.append(np.flatnonzero(is_dot), len(signs)).astype(np.int32)
    dot = np.where(dots > 0, dot_places[np.minimum(dots_before[start], len(dot_places) - 1)], stop)
    decimals = np.where(dots > 0, stop - 1 - dot, 0)
    held = np.diff(np.append(digits_before[start], digits_before[-1]))
    exponent = np.repeat(digits_before[stop], held) - np.arange(1 + digits_before[start[0]], 1 + digits_before[-1])
    part = digit[is_digit] * POWERS[np.clip(exponent, 0, MOST_DIGITS)]
    part[exponent < 0] = 0.0  # behind a line's end and before its first letter: of no word
    whole = np.zeros(len(start))
    some = held > 0
    if some.any():
        whole[some] = np.add.reduceat(part, digits_before[start][some])
    value = whole / POWERS[np.clip(decimals, 0, MOST_DIGITS)]
    return np.where(known, np.where(negative, -value, value), np.nan)


def _running(flags: np.ndarray) -> np.ndarray:
    """How many flags stand before each place, and before the end."""
    return np.append(np.int32(0), np.cumsum(flags, dtype=np.int32))
