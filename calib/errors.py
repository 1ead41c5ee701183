"""Every exception a user of calib can meet.

CalibError
├── UsageError          the command was called in a way that cannot work
├── ShopFileError       the shop file is missing or says something impossible
├── LogFileError        a log file, or a mapping, cannot be read as a table at all
│   └── UnknownLogError its columns are those of no log, and no mapping fits it
├── MeshError           a part file cannot be read, or its result would be meaningless
├── PathFileError       a machine's path cannot be read, or holds no move
├── OutsideModelError   an input lies outside the range its formula was made for
├── NoPlanError         no machine, person or calendar can do what was asked
├── TooFewRunsError     no group has enough finished runs for what was asked
└── StoreError          the store is missing, in use, or of another version
    └── DamagedStoreError  its bytes are not those that were written, or it was there and is gone

A CalibError means that the user can act: one or two sentences, exit status 2, nothing changed.
Anything else is a bug: a sentence with a report to send at the command's edge, a traceback for developers.
"""

from __future__ import annotations


class CalibError(Exception):
    """What is wrong, with its value and place, and what to do next.

    message : what is wrong: value, place, rule; one or two sentences
    hint : what to do next; empty when the message says it already
    """

    def __init__(self, message: str, hint: str = "") -> None:
        super().__init__(message)
        self.message = message
        self.hint = hint

    def __reduce__(self) -> tuple[type[CalibError], tuple[str, str]]:
        return type(self), (self.message, self.hint)

    def __str__(self) -> str:
        return f"{self.message} {self.hint}".strip()


class UsageError(CalibError):
    """The command was called in a way that cannot work."""


class ShopFileError(CalibError):
    """The shop file is missing or says something impossible."""


class LogFileError(CalibError):
    """A log file, or a mapping, cannot be read as a table at all."""


class UnknownLogError(LogFileError):
    """The columns of a file are those of no log that calib knows, and no mapping fits it."""


class MeshError(CalibError):
    """A part file cannot be read, or its result would be meaningless."""


class PathFileError(CalibError):
    """A machine's path cannot be read, or holds no move."""


class OutsideModelError(CalibError):
    """An input lies outside the range its formula was made for."""


class NoPlanError(CalibError):
    """No machine, person or calendar can do what was asked."""


class TooFewRunsError(CalibError):
    """No group has enough finished runs for what was asked."""


class NotFittedError(CalibError, ValueError, AttributeError):
    """A model was asked before it had learned anything, and priors were not wanted."""


class StoreError(CalibError):
    """The store is missing, in use, or of another version."""


class DamagedStoreError(StoreError):
    """The store's bytes are not those that were written, or it was there and is gone."""
