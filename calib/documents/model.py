"""What the model learned, foretells, explains and was worth."""

from __future__ import annotations

from datetime import datetime
from typing import NotRequired, TypedDict

from calib.documents.drift import BelowFloor
from calib.documents.spans import Named


class Cell(Named):
    runs: int
    ratio_p50: float  # a single run's actual over baseline
    spread: float  # sd of its logarithm, as the 80 % range has it
    p10_ratio: float  # 8 of 10 lie from p10 to p90
    p50_ratio: float  # as ratio_p50
    p90_ratio: float


class LogNext(Named):
    """Runs that would narrow a stage's range most [per cent]."""

    by: str
    value: str
    more: int
    runs: int
    now_pct: float
    then_pct: float
    saved_min: float


class RouteProposal(TypedDict):
    """A route that many builds of a process show, where it is not the shop file's; nothing changes by itself."""

    process: str
    builds: int
    left_out: list[str]  # stages that a person said are not done here
    added: list[str]  # logged, and not in the shop's route
    moved: bool  # others come in another order
    lines: list[str]  # of the shop file


class PriorInUse(TypedDict):
    """How many laws of other sites the lab keeps, and of how many sites; used : False where its own first runs speak against them."""

    laws: int
    sites: int | None
    used: NotRequired[bool]


class FitDocument(TypedDict):
    """The contract's ``fit`` document."""

    as_of: str
    runs_used: int
    runs_left_out: dict[str, int]
    cells: list[Cell]
    ended: str  # how the fit ended, in words
    seconds: float | None  # None in the store, where it is kept before all is done
    prior: NotRequired[PriorInUse | None]
    log_next: NotRequired[list[LogNext]]
    own_routes: NotRequired[list[RouteProposal]]
    below_floor: NotRequired[list[BelowFloor]]
    warnings: NotRequired[list[str]]


class FitFacts(FitDocument):
    """What a stored fit says of itself."""

    fit_id: int
    shop_version: str
    logs_since: bool  # logs or answers came after it
    fitted_at: datetime  # UTC


class Prediction(Named):
    """A stage of a build, or its 'total'."""

    build_id: str
    baseline_min: float
    baseline_basis: str
    mean_min: float
    p05_min: float
    p10_min: float
    p25_min: float
    p50_min: float
    p75_min: float
    p90_min: float
    p95_min: float
    runs_behind: int


class PredictDocument(TypedDict):
    as_of: str | None
    builds: int
    predictions: list[Prediction]
    out: str | None
    rows_set_aside: list[str]
    warnings: list[str]


Coverage = dict[str, float | None]  # share of runs inside, by level: '50', '80', '90', '95'


class ScoredCell(Named):
    predictions: int
    coverage: Coverage
    interval_score: float | None


class Honesty(TypedDict):
    coverage: Coverage
    interval_score: float | None


class ScoredJobs(TypedDict):
    kind: str
    process: str | None
    jobs: int
    finish: Honesty
    work: Honesty
    off_h: float | None  # expected less what came


class PeerScore(TypedDict):
    """A model on the same runs: mean weighted interval score of log minutes, share inside its 80 % range, seconds; how far
    its score lies behind ours [per cent, below 0 where it is ahead], and the standard error of that."""

    name: str
    score: float
    held: float
    seconds: float
    behind_pct: float
    noise_pct: float | None


class PeersDocument(TypedDict):
    """``models`` : ours first; ``as_of`` : day of the last log; ``weeks`` : that were compared; ``weeks_between`` : after which
    the others learned anew."""

    as_of: str
    weeks: int
    weeks_between: int
    models: list[PeerScore]


class BacktestDocument(TypedDict):
    """The contract's ``backtest`` document: interval scores are on log minutes."""

    weeks: int
    predictions: int
    coverage: Coverage
    interval_score: float | None
    interval_score_baseline_only: float | None
    cells: list[ScoredCell]
    jobs: NotRequired[list[ScoredJobs] | None]
    peers: NotRequired[PeersDocument | None]


class Effect(TypedDict):
    """An effect and the range that holds 8 of 10 times [per cent]."""

    factor: str
    value: NotRequired[str]
    per_cent: float
    low_pct: float
    high_pct: float
    runs: int


class TotalEffect(TypedDict):
    per_cent: float
    low_pct: float
    high_pct: float
    runs: int


class People(TypedDict):
    told_apart: int
    least_runs: int
    differ_pct: float | None


class Residual(TypedDict):
    run_key: str
    build_id: str
    expected_min: float
    actual_min: float
    ratio: float
    z: float
    likely_wrong: bool
    says: str
    ended_at: datetime
    file: str | None
    line: int | None


class Narrowing(TypedDict):
    by: str
    value: str
    more: int
    now_pct: float
    then_pct: float
    least_pct: float


class SecondLawFacts(TypedDict):
    """Share of the trees in the ranges [0 to 1], what they won on runs never seen [share of the score], runs behind it,
    and what they go by most."""

    weight: float
    gain: float
    rows: int
    leading: str


class Effects(TypedDict):
    """Of a stage, by kind."""

    total: TotalEffect
    parts: list[Effect]
    values: list[Effect]
    size: TotalEffect | None
    people: People


class WhyDocument(Named, Effects):
    as_of: str
    runs: int
    single_run: dict[str, float]  # p10_ratio, p50_ratio, p90_ratio: actual over baseline
    residuals: list[Residual]
    narrowing: list[Narrowing]
    second_law: NotRequired[SecondLawFacts | None]  # null where trees have no share
    warnings: list[str]
