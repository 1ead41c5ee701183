"""Other people's words for stages, processes and outcomes -> ours."""

from __future__ import annotations

import re
from collections.abc import Iterable
from functools import lru_cache

from calib.logs.trade_words import EVENT_WORDS, OUTCOME_WORDS, PROCESS_PHRASES, STAGE_WORDS, folded, phrase_in
from calib.logs.words import nearest, stage_problem
from calib.records import STAGES

_SEVERAL = re.compile(r"\+|/|&|,|\band\b|\bund\b|\bet\b|\by\b")


@lru_cache(maxsize=4096)
def stage_of(word: str, shop_stages: tuple[str, ...] = ()) -> str:
    """Our stage for a word, several joined by +, or ''; what names a process is no misspelt stage.

    >>> stage_of("Cool down"), stage_of("Waschen in Alkohol"), stage_of("wash + cure"), stage_of("lunch"), stage_of("resin 1")
    ('cool_down', 'washing', 'washing+post_curing', '', '')
    """
    plain = word.strip().lower().replace(" ", "_").replace("-", "_")
    if not stage_problem(plain, shop_stages):
        return plain
    known = STAGE_WORDS | {folded(stage): stage for stage in shop_stages}
    if exact := known.get(folded(word)):
        return exact
    parts = [phrase_in(folded(part), known)[1] for part in _SEVERAL.split(word)]
    if all(parts):
        return "+".join(dict.fromkeys(parts))
    alike = [] if process_of(word) else nearest(plain, [*STAGES, *shop_stages])
    return phrase_in(folded(word), known)[1] or next(iter(alike), "")


def is_sure_stage(word: str, ours: str) -> bool:
    """Whether a word says its stage or stages, and nothing else."""
    return folded(word) == folded(ours) or STAGE_WORDS.get(folded(word)) == ours


def process_of(word: str) -> str:
    """
    >>> process_of("SLA"), process_of("Harz"), process_of("weaving")
    ('VPP', 'VPP', '')
    """
    return PROCESS_PHRASES.get(folded(word)) or phrase_in(folded(word), PROCESS_PHRASES)[1]


def outcome_of(word: str) -> str:
    return OUTCOME_WORDS.get(folded(word), "")


def event_of(word: str) -> str:
    """start, stop, pause, resume or ''."""
    return EVENT_WORDS.get(folded(word), "")


def word_of(word: str, words: Iterable[str]) -> str:
    """The one of our words that a word is, but for its spelling, or ''."""
    return next((ours for ours in words if folded(ours) == folded(word)), "")


def why_stage(word: str, ours: str) -> tuple[str, str]:
    """Why a word was taken for a stage, to be put behind its count; and what a person is told where that is a guess."""
    if is_sure_stage(word, ours):
        return "", ""
    if "+" in ours:
        return "; several at once: learned from as a sum", "it names several stages, and is learned from as their sum"
    phrase, held = phrase_in(folded(word), STAGE_WORDS)
    return (f'; holds "{phrase}"', "") if held == ours else ("", "it is the nearest word, no more")
