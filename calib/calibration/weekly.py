"""One weekly pass: the state after a week is a function of the state before it and the week's rows.

Rows of the last weeks are weighed anew each week with hindsight (was it a jump or an error?); older ones have been
summed up for good as moments. One-step-ahead errors come out of it: each row is predicted before it is learned.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import scipy.sparse as sparse
from threadpoolctl import threadpool_limits

from calib.calibration.arrowhead import reordered, seen_in
from calib.calibration.builds import BuildEffect
from calib.calibration.design import Coded, Design, before_any_run, location_blocks, prior_precision, scale_blocks
from calib.calibration.encoder import Encoder
from calib.calibration.normal_equations import Moments, accumulate, build_effects, solve_and_invert, sparse_rows
from calib.calibration.normal_plus_t import score_of
from calib.calibration.options import Options
from calib.calibration.priors import LOCATION, SCALE, Priors
from calib.calibration.random_walk import LEVEL_START, Levels
from calib.calibration.recalibrate import Misses, Recalibration
from calib.calibration.robust import GROSS_SHARE, GROSS_WEIGHT, clean_chance, longer_than, t_information, t_weight
from calib.calibration.row_variance import RowEffects, effects_by_row
from calib.calibration.rows import WEEK_NS, Rows
from calib.calibration.scales import Scales
from calib.calibration.state import UNLEARNED_SD, Posterior, Predictive, State, first_parts, predictive
from calib.calibration.usage import Usage
from calib.calibration.variances import next_variances
from calib.calibration.window import Week, Window, join, week_of

FEW_ROWS = 400  # below so many rows a week gets FIRST_SWEEPS sweeps: nothing is settled yet
FIRST_SWEEPS = 12
MOST_SWEEPS, SETTLED = 100, 0.002  # with other labs' means: a lab unlike them is far from where the sweeps begin
PLENTY = 10_000  # rows of a week that say at once what hindsight would: they are summed up when they are settled
LARGEST_JUMP = 0.7  # log units that one row can say of a jump
MOST_ROWS = 0.99  # the share of rows that 'how far did medians move in the last sweep' is about


class WeeklyPass:
    """Learns week after week; ``state`` is what it knows, ``update`` takes the next week."""

    def __init__(self, options: Options) -> None:
        self.options = options
        self.encoder = Encoder(options.group)
        self.design = Design(location_blocks(options), options.most_effects)
        self.variance = {block.name: block.start_sd**2 for block in self.design.blocks}
        self.frozen = Moments(np.zeros((0, 0)), np.zeros(0))
        self.mean, self.covariance = np.zeros(0), np.zeros((0, 0))
        self.block = np.zeros(0, np.int64)  # see ``arrowhead``: processes have few effects in common
        scale = Design(scale_blocks(options), options.most_effects // 2)
        self.scales = Scales(options, scale, {block.name: block.start_sd**2 for block in scale.blocks})
        self.levels = Levels()
        self.builds = BuildEffect(options)
        self.gross = np.zeros(2)  # gross errors and rows of the weeks that left the window
        self.gross_share = GROSS_SHARE
        self.weeks: list[Week] = []
        self.kind_of_cell = np.zeros(0, np.int64)
        self.runs = np.zeros(0)
        self.rows, self.ended, self.sweeps_done, self.change = 0, 0, 0, np.inf
        self.misses = Misses()
        self.usage = Usage()
        self.recalibration = Recalibration()
        if options.priors:
            self._begin_with(options.priors)

    def _begin_with(self, priors: Priors) -> None:
        """Effects that other labs know are there before any run, as those say."""
        self.encoder.number(priors)
        for part, design in ((LOCATION, self.design), (SCALE, self.scales.design)):
            for block in design.blocks:
                design.admit_known(block, self.encoder.keys_of(block, priors.of(part, block.name)))
        self.mean, self.covariance = self.design.centre.copy(), before_any_run(self.design, self.variance)
        self.scales.mean, self.scales.covariance = (
            self.scales.design.centre.copy(),
            before_any_run(self.scales.design, self.scales.variance),
        )
        self.frozen, self.scales.frozen = (
            self.frozen.padded(self.design.size),
            self.scales.frozen.padded(self.scales.design.size),
        )

    # ---- one week ---------------------------------------------------------------------------------------------

    def predict(self, number: int, rows: Rows, coded: Coded) -> tuple[State, Predictive]:
        """What is known before the week, and what it expects of the week's rows."""
        self.encoder.measure(coded, rows.log_baseline, learn=True)
        state = self.state()
        gap = max(number - int(self.levels.numbers[-1]), 1) if len(self.levels.numbers) else 1
        return state, predictive(state, coded, rows, float(gap))

    def scores(self, rows: Rows, before: Predictive) -> np.ndarray:
        """Normal scores of rows among what was expected of them.

        Returns shape (rows,) [-].
        """
        tau = np.sqrt(before.tau2 + self.builds.variance_of(rows.build) * before.load**2)
        return score_of(rows.y - before.location, tau, before.sigma, self.options.nu)

    def behind(self, before: Predictive) -> np.ndarray:
        """Runs learned of each row's cell so far.

        Returns shape (rows,) [runs].
        """
        return np.asarray(np.append(self.runs, 0.0)[np.minimum(before.cell, len(self.runs))])

    # many small solves: threads cost eight times the time
    @threadpool_limits.wrap(limits=1, user_api="blas")  # type: ignore[untyped-decorator, unused-ignore]
    def update(self, number: int, rows: Rows, coded: Coded, before: Predictive) -> None:
        """Learn from the rows of a week (or of a few), of which ``before`` was expected."""
        scores = self.scores(rows, before)
        first = self.rows == 0
        if first:  # nothing says yet how long this lab takes
            before = self._around_their_own(rows, before)
        self.encoder.measure(coded, rows.log_baseline, learn=False)
        self._grow(coded)
        entries, scale_entries = self.design.entries(coded), self.scales.design.entries(coded)
        first_part = first_parts(coded.part_row, rows.count)
        label = coded.codes[self.options.group[0]][first_part]
        self.block = seen_in(self.block, entries.column, label[entries.row], self.design.size)
        self.weeks.append(week_of(number, rows, coded, entries, scale_entries, before))
        self.levels.open_week(number, self._first_weights(rows, before))
        self.rows += rows.count
        self.usage = self.usage.add(coded, max(int(rows.ended.max()) - self.ended, 0) / WEEK_NS if self.ended else 0.0)
        self.runs = self.runs + np.bincount(before.cell, minlength=len(self.runs))
        self.ended = int(rows.ended.max())
        self._iterate()
        while len(self.weeks) > (self.options.window if rows.count < PLENTY else 0):
            self._close_week()
        if not first:
            self._recalibrate(number, rows, before, scores)

    def _around_their_own(self, rows: Rows, before: Predictive) -> Predictive:
        """The first rows are weighed around their own middle; where other labs say something, with room to differ from it."""
        if self.options.priors:
            return replace(before, tau2=before.tau2 + UNLEARNED_SD**2)
        return replace(before, location=before.location + np.median(rows.y))

    def _recalibrate(self, number: int, rows: Rows, before: Predictive, scores: np.ndarray) -> None:
        """Correct the quantiles by how the rows came out among what was expected of them."""
        if self.options.recalibrate:
            seen = ~rows.censored
            self.misses.add(number, before.cell[seen], before.attended[seen], scores[seen])
            self.recalibration = self.misses.learned(len(self.runs), self.kind_of_cell)

    def state(self) -> State:
        """What is known now; shares its arrays with the pass."""
        now = self._now()
        step = np.full(len(self.runs), self.levels.step_of_kind.mean())
        step[self.levels.cell] = self.levels.step
        return State(
            self.options, self.encoder, self.design, self.scales.design,
            Posterior(self.mean[now], reordered(self.covariance, now), self.variance),
            Posterior(self.scales.mean, self.scales.covariance, self.scales.variance),
            step, self.levels.step_of_kind, self.runs, self.builds.variance, self.builds.machine_load,
            self.recalibration, self.ended, self.usage,
            {"gross_share": self.gross_share, "effects": float(self.design.size), "sweeps": float(self.sweeps_done),
             "change": self.change, "rows": float(self.rows)},
        )  # fmt: skip

    def _now(self) -> np.ndarray:
        """Indices of the effects as they are now: those of the last week's levels."""
        now = np.arange(min(self.design.size, len(self.mean)))
        if self.levels.count and len(self.mean):
            now[self.levels.column] = len(self.mean) - self.levels.count + np.arange(self.levels.count)
        return now

    def _grow(self, coded: Coded) -> None:
        """Make room for effects and cells that this week brings."""
        fresh = self.design.admit(coded)
        self.scales.grow(coded)
        more = int(max(coded.codes["cell"].max(initial=-1) + 1, len(self.runs))) - len(self.runs)
        self.runs = np.append(self.runs, np.zeros(more))
        self.kind_of_cell = np.append(self.kind_of_cell, np.zeros(more, np.int64))
        self.kind_of_cell[coded.codes["cell"]] = coded.attended
        self.frozen = self.frozen.padded(self.design.size)
        cells = fresh.get("level", np.zeros(0, np.int64))
        if len(cells):
            column = self.design.columns["level"][np.searchsorted(self.design.keys["level"], cells)]
            self.levels.add(cells, self.kind_of_cell[cells], column)
            self.frozen.information[column, column] += 1 / LEVEL_START

    def _first_weights(self, rows: Rows, before: Predictive) -> np.ndarray:
        """Weight of each level's step into a new week, as open as the week's own rows suggest.

        Reweighting finds a jump only from the open side: started closed, it takes the rows for errors.
        """
        if not self.options.robust:
            return np.ones(self.levels.count)
        noise = before.sigma**2 + self.builds.variance_of(rows.build) * before.load**2
        off = np.clip(rows.y - before.location, -LARGEST_JUMP, LARGEST_JUMP)
        weight = t_weight(off**2 / (noise + before.tau2), self.options.nu) / noise * ~rows.censored
        total = np.bincount(before.cell, weight, len(self.runs))[self.levels.cell]
        sums = np.bincount(before.cell, weight * off, len(self.runs))[self.levels.cell]
        mean = sums / np.maximum(total, 1e-12)
        excess = np.where(total > 0, mean**2 - 1 / np.maximum(total, 1e-12), 0.0)
        nu = self.options.step_nu
        return np.asarray((nu + 1) / (nu + np.maximum(excess / self.levels.step, 1.0)))

    # ---- sweeps -----------------------------------------------------------------------------------------------

    def _iterate(self) -> None:
        window = join(self.weeks)
        few = self.rows < FEW_ROWS
        sweeps = self.options.sweeps if not few else MOST_SWEEPS if self.options.priors else FIRST_SWEEPS
        design = self._design_of(window)
        of = design.tocoo()
        effects = effects_by_row(of.row, of.col, of.data, window.count)
        for sweep in range(sweeps):
            fit = window.fit
            self._sweep(window, design, effects)
            self.change = float(np.quantile(np.abs(window.fit - fit), MOST_ROWS)) if window.count else 0.0
            self.sweeps_done += 1
            if sweep + 1 >= FIRST_SWEEPS and self.change < SETTLED:
                break
        window.hand_back()

    def _sweep(self, window: Window, design: sparse.csr_matrix, effects: RowEffects) -> None:
        """One round: weigh the rows, solve for all effects at once, learn variances, scales and steps from them."""
        sigma2 = self.scales.sigma2(window)
        y, weight, clean = self._weights(window, sigma2)
        shared = self.builds.of(window)
        information, vector = self._with_priors(accumulate(design, y, weight, shared))
        block = np.append(self.block, np.tile(self.block[self.levels.column], self.levels.weeks))
        self.mean, self.covariance = solve_and_invert(information, vector, block)
        window.fit = design @ self.mean
        effect, effect_variance = build_effects(y - window.fit, weight, shared)
        window.residual = window.y - window.fit - effect
        window.spread2 = effects.variance(self.covariance) + effect_variance
        self.variance = next_variances(self.design, self.mean, self.covariance, self.variance)
        self.levels.learn(
            self.mean, self.covariance, self.design.size, self.options.step_nu if self.options.robust else None
        )
        self.scales.learn(window, clean, sigma2)
        self.builds.learn(window, clean, sigma2)
        gross = self.gross + np.array([np.sum(1 - clean), len(clean)])
        share = (gross[0] + GROSS_WEIGHT * GROSS_SHARE) / (gross[1] + GROSS_WEIGHT)
        self.gross_share = float(np.clip(share, 0.002, 0.2))

    def _weights(self, window: Window, sigma2: np.ndarray) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
        """Working response, weight, and chance of being no gross error, of each row: a step of Fisher scoring."""
        known, t_part, clean = 1.0, np.ones(window.count), np.ones(window.count)
        if self.options.robust:
            known = t_information(self.options.nu)
            t_part = t_weight((window.residual**2 + window.spread2) / sigma2, self.options.nu)
            total = sigma2 + window.spread2
            clean = clean_chance(window.residual**2 / total, np.sqrt(total), self.options.nu, self.gross_share)
        y, weight = window.y + (t_part / known - 1) * window.residual, known * clean / sigma2
        if window.censored.any():
            least, lower = longer_than(window.y, window.y - window.residual, np.sqrt(sigma2))
            y, weight = np.where(window.censored, least, y), np.where(window.censored, lower, weight)
        return y, weight, clean

    def _design_of(self, window: Window) -> sparse.csr_matrix:
        """Sparse design of the window, each week with its own copy of the levels."""
        row, column, value, week = window.location
        p = self.design.size
        nodes = self.levels.nodes(p)
        place = np.full(p, -1)
        place[self.levels.column] = np.arange(self.levels.count)
        walks = np.flatnonzero(place[column] >= 0)
        column = column.copy()
        column[walks] = nodes[1 + week[walks], place[column[walks]]]
        return sparse_rows(row, column, value, (window.count, p + nodes[1:].size))

    def _with_priors(self, moments: Moments) -> tuple[np.ndarray, np.ndarray]:
        information, vector = moments.information, moments.vector
        p = self.design.size
        information[:p, :p] += self.frozen.information
        vector[:p] += self.frozen.vector
        at = np.arange(p)
        precision = prior_precision(self.design, self.variance)
        information[at, at] += precision
        vector[at] += precision * self.design.centre
        self.levels.add_priors(information, p)
        return information, vector

    def _close_week(self) -> None:
        """Sum up the oldest week of the window for good."""
        oldest = join(self.weeks[:1])
        sigma2 = self.scales.sigma2(oldest)
        y, weight, clean = self._weights(oldest, sigma2)
        self.frozen = self.levels.close_week(self.mean, self.covariance, self.frozen, self.design.size)
        row, column, value, _ = oldest.location
        design = sparse_rows(row, column, value, (oldest.count, self.design.size))
        self.frozen = self.frozen + accumulate(design, y, weight, self.builds.of(oldest))
        self.scales.close_week(oldest, clean, sigma2)
        self.builds.sums = self.builds.sums + self.builds.pairs(oldest, clean, sigma2)
        self.gross = self.gross + np.array([np.sum(1 - clean), len(clean)])
        self.weeks = self.weeks[1:]
