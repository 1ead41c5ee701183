"""The temporary relations of an import: their names, what they hold, who makes and who reads them.

They last as long as the connection. Of each kind of log, as ``StagingTables`` names them:

| name | holds | made by | read by |
| --- | --- | --- | --- |
| ``staged_KIND`` | what is new of all files: typed, ``bad`` where it breaks a rule, then with its cells | staging | all |
| ``good_KIND``, a view | the staged rows that break no rule, with all columns and their key | staging | ids, merge, set_aside |
| ``known_KIND``, a view | digests of all rows that are stored or were once | staging | staging |
| ``repeated_KIND`` | digests of keys that come more than once, or are stored | merge | merge |
| ``waiting_KIND`` | the good rows of such keys; ``copy`` above 1: the same content once more | merge | merge |
| ``round_KIND`` | those of copy 1, numbered by the round in which they are merged | merge | merge |
| ``merged_KIND`` | the rows of one round, filled up from what is stored under their key | merge | merge |
| ``change_KIND`` | those of them that their key never had before | merge | merge |

Of each file of the call, counted from 0, as ``FileTables`` names them:

| name | holds | made by | read by |
| --- | --- | --- | --- |
| ``raw_N``, a table or view | its cells as text: raw_row (from 1), line, fault, r0, r1 ..., raw_hash | raw_rows | staging, set_aside |
| ``bad_N`` | those of its raw rows that are set aside | staging | staging, set_aside |

Of the call as a whole:

| name | holds | made by | read by |
| --- | --- | --- | --- |
| ``used_again`` | rows set aside for an id, with column, rule and reason | ids | ids, set_aside, log_files |
| ``wide`` | builds whose starts lie far apart | ids | ids |
| ``far`` | rows of these that are not of the build as it is known | ids | ids |
| ``first_seen`` | process and machine under which a build id is known | ids | ids |
| ``met_again`` | digests of run ids that come again | ids | ids |
| ``known_run`` | what is known of such runs | ids | ids |
| ``named_run`` | rows that name one of them | ids | ids |
| ``open_span`` | opening spans, and open minutes before each | closed_hours | closed_hours |

``changed``, of texts replaced in a column, is change_column's own; ``flagged``, of runs that a fit doubts, review's.
"""

from __future__ import annotations

from dataclasses import dataclass

from calib.store.tables import TABLE_OF


@dataclass(frozen=True)
class StagingTables:
    """Names of the relations of one kind of log; ``stored`` and ``history`` are the tables that last."""

    kind: str

    @property
    def stored(self) -> str:
        return TABLE_OF[self.kind]

    @property
    def history(self) -> str:
        return f"{self.stored}_history"

    @property
    def staged(self) -> str:
        return f"staged_{self.kind}"

    @property
    def good(self) -> str:
        return f"good_{self.kind}"

    @property
    def known(self) -> str:
        return f"known_{self.kind}"

    @property
    def repeated(self) -> str:
        return f"repeated_{self.kind}"

    @property
    def waiting(self) -> str:
        return f"waiting_{self.kind}"

    @property
    def round(self) -> str:
        return f"round_{self.kind}"

    @property
    def merged(self) -> str:
        return f"merged_{self.kind}"

    @property
    def change(self) -> str:
        return f"change_{self.kind}"


@dataclass(frozen=True)
class FileTables:
    """Names of the relations of one file of the call."""

    number: int

    @property
    def raw(self) -> str:
        return f"raw_{self.number}"

    @property
    def bad(self) -> str:
        return f"bad_{self.number}"
