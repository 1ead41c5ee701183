"""One weekly pass: the state after a week is a function of the state before it and the week's rows.

Rows of the last weeks are weighed anew each week with hindsight (was it a jump or an error?); older ones have been
summed up for good as moments. One-step-ahead errors come out of it: each row is predicted before it is learned.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
from threadpoolctl import threadpool_limits

from calib.calibration.design import Coded, Design, location_blocks, scale_blocks
from calib.calibration.moments import Moments, SharedEffect, accumulate, build_effects, sparse_rows
from calib.calibration.normal_plus_t import score_of
from calib.calibration.options import Options
from calib.calibration.recalibrate import Misses, Recalibration
from calib.calibration.robust import GROSS_SHARE, GROSS_WEIGHT, clean_chance, longer_than, t_weight
from calib.calibration.rows import Rows
from calib.calibration.solve import eliminate, solve_and_invert
from calib.calibration.state import (
    BUILD_START,
    LOAD_START,
    SCALE_OFFSET,
    SMALLEST_SIGMA,
    Posterior,
    Predictive,
    State,
    predictive,
)
from calib.calibration.variances import next_variance
from calib.calibration.vocabulary import Vocabulary
from calib.calibration.window import Week, Window, join, week_of

LEVEL_START = 1e-4  # variance of a walking level at its start: the cell's effect carries the rest
STEP_START = 1e-4  # weekly step variance before any data, worth STEP_WEIGHT cell-weeks to a kind
STEP_WEIGHT = 20.0
STEP_CELL_WEIGHT = 20.0  # cell-weeks that its kind is worth to a cell
PAIR_WEIGHT = 200.0  # pairs of runs of one build that the starting values of its effect are worth
FORGET_SCALE = 0.5 ** (1 / 52)  # weekly: scales change slowly
FEW_ROWS = 400  # below so many rows a week gets FIRST_SWEEPS sweeps: nothing is settled yet
FIRST_SWEEPS = 12
SHIFTED = 3.0  # residuals in sd beyond which they are clipped for the build's effect


@dataclass(eq=False)
class Sums:
    """Running sums of frozen weeks that belong to no single design."""

    step: np.ndarray = field(default_factory=lambda: np.zeros((0, 2)))  # by level: sum of weighted squares, count
    pairs: np.ndarray = field(default_factory=lambda: np.zeros(4))
    gross: np.ndarray = field(default_factory=lambda: np.zeros(2))


class WeeklyPass:
    """Learns week after week; ``state`` is what it knows, ``learn`` takes the next week."""

    def __init__(self, options: Options) -> None:
        self.options = options
        self.vocabulary = Vocabulary(options.group)
        self.design = Design(location_blocks(options), options.most_effects)
        self.scale_design = Design(scale_blocks(options), options.most_effects)
        self.variance = {block.name: block.start_sd**2 for block in self.design.blocks}
        self.scale_variance = {block.name: block.start_sd**2 for block in self.scale_design.blocks}
        self.frozen = Moments(np.zeros((0, 0)), np.zeros(0))
        self.scale_frozen = Moments(np.zeros((0, 0)), np.zeros(0))
        self.mean, self.covariance = np.zeros(0), np.zeros((0, 0))
        self.scale_mean, self.scale_covariance = np.zeros(0), np.zeros((0, 0))
        self.sums = Sums()
        self.weeks: list[Week] = []
        self.base_week = 0  # week of the frozen levels
        self.calm = np.zeros((0, 0))  # (weeks of the window, levels): weight of each step, small for a jump
        self.level_cell = np.zeros(0, np.int64)
        self.step = np.zeros(0)
        self.step_of_kind = np.full(2, STEP_START)
        self.kind_of_cell = np.zeros(0, np.int64)
        self.runs = np.zeros(0)
        self.build_variance, self.machine_load, self.gross_share = BUILD_START, LOAD_START, GROSS_SHARE
        self.rows, self.ended, self.sweeps_done, self.change = 0, 0, 0, np.inf
        self.misses = Misses()
        self.recalibration = Recalibration()

    # ---- one week ---------------------------------------------------------------------------------------------

    def expect(self, number: int, rows: Rows, coded: Coded) -> tuple[State, Predictive]:
        """What is known before the week, and what it expects of the week's rows."""
        self.vocabulary.measure(coded, rows.log_baseline, learn=True)
        state = self.state()
        gap = max(number - self.weeks[-1].number, 1) if self.weeks else 1
        return state, predictive(state, coded, rows, float(gap))

    @threadpool_limits.wrap(limits=1, user_api="blas")  # many small solves: threads cost eight times the time
    def learn(self, number: int, rows: Rows, coded: Coded, before: Predictive) -> tuple[np.ndarray, np.ndarray]:
        """Learn from a week's rows, of which ``before`` was expected: (normal scores, runs behind each)."""
        scores = self._scores(rows, before)
        behind = np.append(self.runs, 0.0)[np.minimum(before.cell, len(self.runs))]
        self._grow(coded, before)
        entries, scale_entries = self.design.entries(coded), self.scale_design.entries(coded)
        if not self.weeks and self.frozen.rows == 0:
            self.base_week = number - 1
        self.weeks.append(week_of(number, rows, coded, entries, scale_entries, before))
        self.calm = np.vstack([self.calm, self._first_calm(rows, before)])
        self.rows += rows.count
        self.runs = self.runs + np.bincount(before.cell, minlength=len(self.runs))
        self.ended = int(rows.ended.max())
        self._settle()
        while len(self.weeks) > self.options.window:
            self._freeze()
        if self.options.recalibrate:
            seen = ~rows.censored
            self.misses.add(number, before.cell[seen], before.attended[seen], scores[seen])
            self.recalibration = self.misses.learned(len(self.runs), self.kind_of_cell)
        return scores, behind

    def _first_calm(self, rows: Rows, before: Predictive) -> np.ndarray:
        """Weight of each level's step into a new week, as open as the week's own rows suggest.

        Reweighting finds a jump only from the open side: started closed, it takes the rows for errors.
        """
        noise = before.sigma**2 + self._build_variance_of(rows.build) * before.load**2
        off = np.clip(rows.y - before.location, -0.7, 0.7)
        weight = t_weight(off**2 / (noise + before.tau2), self.options.nu) / noise * ~rows.censored
        total = np.bincount(before.cell, weight, len(self.runs))[self.level_cell]
        sums = np.bincount(before.cell, weight * off, len(self.runs))[self.level_cell]
        mean = sums / np.maximum(total, 1e-12)
        excess = np.where(total > 0, mean**2 - 1 / np.maximum(total, 1e-12), 0.0)
        nu = self.options.step_nu
        calm = (nu + 1) / (nu + np.maximum(excess / self.step, 1.0))
        return calm[None] if self.options.robust else np.ones_like(calm)[None]

    def state(self) -> State:
        """What is known now; shares its arrays with the pass."""
        now = self._now()
        step = np.full(len(self.runs), self.step_of_kind.mean())
        step[self.level_cell] = self.step
        return State(
            self.options, self.vocabulary, self.design, self.scale_design,
            Posterior(self.mean[now], self.covariance[np.ix_(now, now)], self.variance),
            Posterior(self.scale_mean, self.scale_covariance, self.scale_variance),
            step, self.step_of_kind, self.runs, self.build_variance, self.machine_load, self.recalibration, self.ended,
            {"gross_share": self.gross_share, "effects": float(self.design.size), "sweeps": float(self.sweeps_done),
             "change": self.change, "rows": float(self.rows)},
        )  # fmt: skip

    def _scores(self, rows: Rows, before: Predictive) -> np.ndarray:
        tau = np.sqrt(before.tau2 + self._build_variance_of(rows.build) * before.load**2)
        return score_of(rows.y - before.location, tau, before.sigma, self.options.nu)

    def _build_variance_of(self, build: np.ndarray) -> np.ndarray:
        return np.where(build >= 0, self.build_variance, 0.0)

    def _grow(self, coded: Coded, before: Predictive) -> None:
        """Make room for effects and cells that this week brings."""
        fresh = self.design.admit(coded)
        self.scale_design.admit(coded)
        cells = int(max(coded.codes["cell"].max(initial=-1) + 1, len(self.runs)))
        more = cells - len(self.runs)
        self.runs = np.append(self.runs, np.zeros(more))
        self.kind_of_cell = np.append(self.kind_of_cell, np.zeros(more, np.int64))
        self.kind_of_cell[coded.codes["cell"]] = coded.attended
        self.frozen = _padded(self.frozen, self.design.size)
        self.scale_frozen = _padded(self.scale_frozen, self.scale_design.size)
        levels = fresh.get("level", np.zeros(0, np.int64))
        if len(levels):
            self.level_cell = np.append(self.level_cell, levels)
            self.step = np.append(self.step, self.step_of_kind[self.kind_of_cell[levels]])
            self.sums.step = np.vstack([self.sums.step, np.zeros((len(levels), 2))])
            self.calm = np.hstack([self.calm, np.ones((len(self.calm), len(levels)))])
            at = self._level_columns()[-len(levels) :]
            self.frozen.information[at, at] += 1 / LEVEL_START

    def _level_columns(self) -> np.ndarray:
        """Column of each walking level in the base, in order of ``level_cell``."""
        if not len(self.level_cell):
            return np.zeros(0, np.int64)
        return self.design.columns["level"][np.searchsorted(self.design.keys["level"], self.level_cell)]

    # ---- sweeps -----------------------------------------------------------------------------------------------

    def _settle(self) -> None:
        window = join(self.weeks)
        sweeps = self.options.sweeps if self.rows >= FEW_ROWS else FIRST_SWEEPS
        for _ in range(sweeps):
            fit = window.fit
            self._sweep(window)
            self.change = float(np.max(np.abs(window.fit - fit), initial=0.0))
            self.sweeps_done += 1
        window.hand_back()

    def _sweep(self, window: Window) -> None:
        sigma2 = self._sigma2(window)
        y, weight, clean, t_part = self._weights(window, sigma2)
        shared = self._shared(window)
        design, columns = self._design_of(window)
        moments = accumulate(design, y, weight, shared)
        information, vector = self._with_priors(moments, columns)
        self.mean, self.covariance = solve_and_invert(information, vector)
        window.fit = design @ self.mean
        effect, effect_variance = build_effects(y - window.fit, weight, shared)
        window.residual = window.y - window.fit - effect
        window.spread2 = _row_variance(design, self.covariance) + effect_variance
        self._learn_variances()
        self._learn_steps()
        self._learn_scale(window, t_part, clean, sigma2)
        self._learn_build(window, clean, sigma2)
        self._learn_gross(clean)

    def _sigma2(self, window: Window) -> np.ndarray:
        """Variance scale of each row's own noise."""
        row, column, value, _ = window.entries("scale")
        known = column < len(self.scale_mean)
        effect = self.scale_mean[np.where(known, column, 0)] if len(self.scale_mean) else np.zeros(len(column))
        log_sigma = np.bincount(row, value * np.where(known, effect, 0.0), window.count)
        return np.exp(2 * (log_sigma + SCALE_OFFSET + window.offset)) + SMALLEST_SIGMA**2 + window.width**2 / 12

    def _weights(self, window: Window, sigma2: np.ndarray) -> tuple[np.ndarray, ...]:
        """Working response, weight, chance of being clean, and Student-t part of the weight, of each row."""
        square = (window.residual**2 + window.spread2) / sigma2
        t_part, clean = np.ones(window.count), np.ones(window.count)
        if self.options.robust:
            t_part = t_weight(square, self.options.nu)
            total = sigma2 + window.spread2
            clean = clean_chance(window.residual**2 / total, np.sqrt(total), self.options.nu, self.gross_share)
        y, weight = window.y, t_part * clean / sigma2
        if window.censored.any():
            least, lower = longer_than(window.y, window.y - window.residual, np.sqrt(sigma2))
            y, weight = np.where(window.censored, least, y), np.where(window.censored, lower, weight)
        return y, weight, clean, t_part

    def _shared(self, window: Window) -> SharedEffect:
        load = window.unit_load @ np.array([self.machine_load, 1.0])
        return SharedEffect(window.build, load, self.build_variance)

    def _design_of(self, window: Window):  # type: ignore[no-untyped-def]
        """Sparse design of the window, each week with its own copy of the levels; (matrix, columns of the copies)."""
        row, column, value, week = window.entries("location")
        levels, p = self._level_columns(), self.design.size
        copies = p + np.arange(len(self.weeks))[:, None] * len(levels) + np.arange(len(levels))
        place = np.full(p, -1)
        place[levels] = np.arange(len(levels))
        if len(levels):
            walks = place[column] >= 0
            column = np.where(walks, copies[week, np.maximum(place[column], 0)], column)
        return sparse_rows(row, column, value, (window.count, p + copies.size)), copies

    def _with_priors(self, moments: Moments, copies: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        information, vector = moments.information, moments.vector
        p = self.design.size
        information[:p, :p] += self.frozen.information
        vector[:p] += self.frozen.vector
        at = np.arange(p)
        information[at, at] += _prior_precision(self.design, self.variance)
        nodes = np.vstack([self._level_columns()[None], copies])
        precision = self.calm / self._step_variance()
        for j in range(len(copies)):
            before, after = nodes[j], nodes[j + 1]
            information[before, before] += precision[j]
            information[after, after] += precision[j]
            information[before, after] -= precision[j]
            information[after, before] -= precision[j]
        return information, vector

    def _step_variance(self) -> np.ndarray:
        """Scale of each level's step into each week of the window, shape (weeks, levels)."""
        numbers = np.array([self.base_week, *(week.number for week in self.weeks)])
        return np.maximum(np.diff(numbers), 1)[:, None] * self.step[None]

    # ---- what is learned beside the effects ---------------------------------------------------------------------

    def _learn_variances(self) -> None:
        diagonal = np.diag(self.covariance)
        for block in self.design.blocks:
            at = self.design.columns[block.name]
            if not block.fixed and len(at):
                self.variance[block.name] = next_variance(
                    self.mean[at], diagonal[at], self.variance[block.name], block.start_sd**2, block.start_weight
                )

    def _learn_steps(self) -> None:
        levels = len(self.level_cell)
        if not levels:
            return
        squares = self._step_squares()
        scale = self._step_variance() / self.step
        ratio = squares / scale
        if self.options.robust:
            nu = self.options.step_nu
            self.calm = (nu + 1) / (nu + ratio / self.step)
        sums = np.column_stack([(self.calm * ratio).sum(0), np.full(levels, float(len(ratio)))]) + self.sums.step
        kind = self.kind_of_cell[self.level_cell]
        for k in (0, 1):
            total = sums[kind == k].sum(0)
            self.step_of_kind[k] = (total[0] + STEP_WEIGHT * STEP_START) / (total[1] + STEP_WEIGHT)
        own = sums[:, 0] + STEP_CELL_WEIGHT * self.step_of_kind[kind]
        self.step = np.maximum(own / (sums[:, 1] + STEP_CELL_WEIGHT), 1e-7)

    def _step_squares(self) -> np.ndarray:
        """Expected square of each level's step into each week of the window, shape (weeks, levels)."""
        p, levels = self.design.size, len(self.level_cell)
        copies = p + np.arange(len(self.weeks))[:, None] * levels + np.arange(levels)
        nodes = np.vstack([self._level_columns()[None], copies])
        mean, diagonal = self.mean[nodes], np.diag(self.covariance)[nodes]
        cross = self.covariance[nodes[1:], nodes[:-1]]
        return np.diff(mean, axis=0) ** 2 + np.maximum(diagonal[1:] + diagonal[:-1] - 2 * cross, 0.0)

    def _learn_scale(self, window: Window, t_part: np.ndarray, clean: np.ndarray, sigma2: np.ndarray) -> None:
        moments = self._scale_moments(window, t_part, clean, sigma2)
        information = moments.information + self.scale_frozen.information
        at = np.arange(self.scale_design.size)
        information[at, at] += _prior_precision(self.scale_design, self.scale_variance)
        vector = moments.vector + self.scale_frozen.vector
        self.scale_mean, self.scale_covariance = solve_and_invert(information, vector)
        diagonal = np.diag(self.scale_covariance)
        for block in self.scale_design.blocks:
            at = self.scale_design.columns[block.name]
            if not block.fixed and len(at):
                self.scale_variance[block.name] = next_variance(
                    self.scale_mean[at], diagonal[at], self.scale_variance[block.name],
                    block.start_sd**2, block.start_weight,
                )  # fmt: skip

    def _scale_moments(self, window: Window, t_part: np.ndarray, clean: np.ndarray, sigma2: np.ndarray) -> Moments:
        """Fisher scoring of the log scale: score w e^2 - 1, information 2 nu / (nu + 3) a row."""
        nu = self.options.nu
        row, column, value, _ = window.entries("scale")
        design = sparse_rows(row, column, value, (window.count, self.scale_design.size))
        per_row = 2 * nu / (nu + 3) if self.options.robust else 2.0
        square = (window.residual**2 + window.spread2) / sigma2
        t_part = t_weight(square, nu) if self.options.robust else t_part
        score = np.minimum(t_part * square - 1, 4.0 if self.options.robust else np.inf)
        own = 0.5 * np.log(np.maximum(sigma2 - window.width**2 / 12, SMALLEST_SIGMA**2)) - SCALE_OFFSET - window.offset
        weight = np.where(window.censored, 0.0, per_row * clean)
        return accumulate(design, own + score / per_row, weight)

    def _learn_build(self, window: Window, clean: np.ndarray, sigma2: np.ndarray) -> None:
        pairs = self.sums.pairs + self._pairs(window, clean, sigma2)
        variance = (pairs[0] + PAIR_WEIGHT * BUILD_START) / (pairs[1] + PAIR_WEIGHT)
        self.build_variance = float(np.clip(variance, 1e-5, 0.25))
        shared = pairs[2] + PAIR_WEIGHT * LOAD_START * self.build_variance
        self.machine_load = float(np.clip(shared / (pairs[3] + PAIR_WEIGHT) / self.build_variance, 0.0, 1.5))

    def _pairs(self, window: Window, clean: np.ndarray, sigma2: np.ndarray) -> np.ndarray:
        """Products of residuals within builds: person's stage with person's (sum, count), with machine's likewise."""
        use = (window.build >= 0) & (clean > 0.5) & ~window.censored
        if not use.any():
            return np.zeros(4)
        build, person = window.build[use], window.attended[use] == 1
        nu = self.options.nu
        limit = SHIFTED * np.sqrt(sigma2[use] * nu / (nu - 2) + self.build_variance) if self.options.robust else np.inf
        left = np.clip((window.y - window.fit)[use], -limit, limit)
        count = int(build.max()) + 1
        s1, s2 = (np.bincount(build[person], left[person] ** k, count) for k in (1, 2))
        n1 = np.bincount(build[person], minlength=count)
        m1, k1 = np.bincount(build[~person], left[~person], count), np.bincount(build[~person], minlength=count)
        return np.array([np.sum(s1**2 - s2), np.sum(n1 * (n1 - 1.0)), np.sum(s1 * m1), np.sum(n1 * k1)])

    def _learn_gross(self, clean: np.ndarray) -> None:
        gross = self.sums.gross + np.array([np.sum(1 - clean), len(clean)])
        share = (gross[0] + GROSS_WEIGHT * GROSS_SHARE) / (gross[1] + GROSS_WEIGHT)
        self.gross_share = float(np.clip(share, 0.002, 0.2))

    # ---- summing up for good ------------------------------------------------------------------------------------

    def _freeze(self) -> None:
        """Sum up the oldest week of the window and move the base to it."""
        oldest = join(self.weeks[:1])
        sigma2 = self._sigma2(oldest)
        y, weight, clean, t_part = self._weights(oldest, sigma2)
        squares = self._step_squares()[0] / (self._step_variance()[0] / np.maximum(self.step, 1e-12))
        self.sums.step = self.sums.step + np.column_stack([self.calm[0] * squares, np.ones(len(squares))])
        self._move_base()
        design, _ = self._plain_design(oldest)
        self.frozen = self.frozen + accumulate(design, y, weight, self._shared(oldest))
        scale = self._scale_moments(oldest, t_part, clean, sigma2)
        old = self.scale_frozen
        self.scale_frozen = Moments(old.information * FORGET_SCALE, old.vector * FORGET_SCALE, old.rows) + scale
        self.sums.pairs = self.sums.pairs + self._pairs(oldest, clean, sigma2)
        self.sums.gross = self.sums.gross + np.array([np.sum(1 - clean), len(clean)])
        self.base_week = self.weeks[0].number
        self.weeks = self.weeks[1:]
        self.calm = self.calm[1:]

    def _plain_design(self, window: Window):  # type: ignore[no-untyped-def]
        row, column, value, _ = window.entries("location")
        return sparse_rows(row, column, value, (window.count, self.design.size)), self.design.size

    def _move_base(self) -> None:
        """Integrate the base's levels out in favour of those of the oldest week of the window."""
        levels, p = self._level_columns(), self.design.size
        if not len(levels):
            return
        precision = self.calm[0] / self._step_variance()[0]
        after = p + np.arange(len(levels))
        information = np.zeros((p + len(levels), p + len(levels)))
        information[:p, :p] = self.frozen.information
        information[levels, levels] += precision
        information[after, after] += precision
        information[levels, after] -= precision
        information[after, levels] -= precision
        less, right = eliminate(information, np.append(self.frozen.vector, np.zeros(len(levels))), levels)
        place = np.arange(p)
        place[levels] = after
        self.frozen = Moments(less[np.ix_(place, place)], right[place], self.frozen.rows)

    def _now(self) -> np.ndarray:
        """Indices of the effects as they are now: those of the last week's levels."""
        now = np.arange(min(self.design.size, len(self.mean)))
        levels = self._level_columns()
        if len(levels) and len(self.mean):
            now[levels] = len(self.mean) - len(levels) + np.arange(len(levels))
        return now


def _padded(moments: Moments, size: int) -> Moments:
    more = size - len(moments.vector)
    return Moments(np.pad(moments.information, (0, more)), np.pad(moments.vector, (0, more)), moments.rows)


def _prior_precision(design: Design, variance: dict[str, float]) -> np.ndarray:
    """One over the variance of each effect's block; a walking level has its prior in the frozen sums."""
    precision = np.zeros(design.size)
    for block in design.blocks:
        if block.name != "level":
            precision[design.columns[block.name]] = 1 / variance[block.name]
    return precision


def _row_variance(design, covariance: np.ndarray) -> np.ndarray:  # type: ignore[no-untyped-def]
    """Diagonal of Z V Z', rows at a time."""
    n = design.shape[0]
    result = np.empty(n)
    for start in range(0, n, 4096):
        part = design[start : start + 4096]
        spread = part @ covariance
        rows = np.repeat(np.arange(part.shape[0]), np.diff(part.indptr))
        result[start : start + 4096] = np.bincount(rows, part.data * spread[rows, part.indices], part.shape[0])
    return np.maximum(result, 0.0)
