"""Laws between sites: against known answers, whatever the split; what they give a new lab; what they give away."""

from __future__ import annotations

import json
from dataclasses import replace

import numpy as np
import pandas as pd
import pytest
from statsmodels.stats.meta_analysis import combine_effects

from calib.calibration.backtest import replay
from calib.calibration.calibrator import Calibrator
from calib.calibration.own_effects import likelihood_of
from calib.calibration.priors import Priors, priors_from
from calib.calibration.scores import LEVELS
from calib.cli.app import run
from calib.errors import UsageError
from calib.sites.laws import LEAST_SITES, laws_of, moments_tau2, prior_document, reml, spreads_of
from calib.sites.prior_file import to_use, write_prior
from calib.sites.task import effects_of
from calib.workflow.company import write_rows

MONDAY = pd.Timestamp("2026-01-05", tz="UTC")
# 13 trials of a vaccine: cases and others, treated and not (Colditz et al. 1994, JAMA 271:698-702; the table from memory)
TRIALS = np.array([
    [4, 119, 11, 128], [6, 300, 29, 274], [3, 228, 11, 209], [62, 13536, 248, 12619], [33, 5036, 47, 5761],
    [180, 1361, 372, 1079], [8, 2537, 10, 619], [505, 87886, 499, 87892], [29, 7470, 45, 7232], [17, 1699, 65, 1600],
    [186, 50448, 141, 27197], [5, 2493, 3, 2338], [27, 16886, 29, 17825],
], float)  # fmt: skip


def log_risks():
    a, b, c, d = TRIALS.T
    return np.log(a / (a + b) * (c + d) / c), 1 / a - 1 / (a + b) + 1 / c - 1 / (c + d)


@pytest.mark.outside(
    "Viechtbauer 2005; Viechtbauer 2010, J. Stat. Softw. 36(3)", "figures of the vaccine trials, from memory"
)
def test_reml_of_a_published_example():
    mean, tau2, unsure = reml(*log_risks())
    assert mean == pytest.approx(-0.7145, abs=5e-5)
    assert tau2 == pytest.approx(0.3132, abs=5e-5)
    assert unsure == pytest.approx(0.1798, abs=5e-5)


@pytest.mark.outside("statsmodels, combine_effects", "run beside it")
def test_moments_are_those_of_an_independent_library():
    y, v = log_risks()
    assert moments_tau2(y, v) == pytest.approx(combine_effects(y, v, method_re="dl").tau2, abs=1e-12)


def restricted_log_likelihood(tau2, y, v):
    w = 1 / (v + tau2)
    mean = w @ y / w.sum()
    return 0.5 * (np.log(w).sum() - np.log(w.sum()) - w @ (y - mean) ** 2)


@pytest.mark.parametrize("seed", range(5))
def test_reml_is_where_the_restricted_likelihood_is_largest(seed):
    rng = np.random.default_rng(seed)
    v = rng.uniform(0.001, 0.2, 12)
    y = rng.normal(0.2, np.sqrt(v + 0.05))
    tau2 = reml(y, v)[1]
    grid = np.linspace(0, 1, 20001)
    best = grid[np.argmax([restricted_log_likelihood(one, y, v) for one in grid])]
    assert tau2 == pytest.approx(best, abs=6e-5)


def made_effects(sites=12, seed=4):
    """Estimates of three cells under one law: means -0.2, 0, 0.3, sd 0.1 between sites."""
    rng = np.random.default_rng(seed)
    rows = [
        (
            "location",
            "cell",
            f"MEX\x1f{stage}",
            mean + rng.normal(0, 0.1) + rng.normal(0, 0.03),
            0.03**2,
            40,
            f"S{site:02d}",
        )
        for site in range(sites)
        for stage, mean in (("printing", -0.2), ("unloading", 0.0), ("packing", 0.3))
    ]
    return pd.DataFrame(rows, columns=["part", "block", "labels", "mean", "variance", "runs", "site"])


def test_laws_are_the_same_however_the_sites_are_split():
    effects = made_effects(30)
    whole = laws_of(effects)
    rng = np.random.default_rng(1)
    for parts in (2, 7):
        pieces = [
            effects[effects["site"].isin(names)]
            for names in np.array_split(rng.permutation(effects["site"].unique()), parts)
        ]
        split = laws_of(pd.concat(pieces, ignore_index=True))
        pd.testing.assert_frame_equal(split, whole, rtol=0, atol=1e-9)
        assert prior_document(pd.concat(pieces, ignore_index=True)) == prior_document(effects)


def test_what_cells_of_a_site_have_in_common_is_found_again():
    # Sites drawn with known spreads: of all their work, of a process, of a stage, and of a cell alone.
    rng, sites = np.random.default_rng(4), 600
    spreads = {"whole": 0.3, "process": 0.2, "stage": 0.15, "cell": 0.1}
    cells = [(process, stage) for process in "ABC" for stage in "pqrs"]
    whole, process, stage, cell = (
        rng.normal(0, sd, (sites, count)) for sd, count in zip(spreads.values(), (1, 3, 4, 12), strict=True)
    )
    means = whole + np.repeat(process, 4, axis=1) + np.tile(stage, 3) + cell + rng.normal(0, 0.05, (sites, 12))
    rows = [
        ("location", "cell", "\x1f".join(pair), means[site, place], 0.05**2, 9, f"S{site}")
        for site in range(sites)
        for place, pair in enumerate(cells)
    ]
    effects = pd.DataFrame(rows, columns=["part", "block", "labels", "mean", "variance", "runs", "site"])
    found = {one["block"]: one["sd"] for one in spreads_of(effects, laws_of(effects))}
    assert found == pytest.approx(spreads, abs=0.03)


def test_a_law_needs_sites_enough_and_none_that_outweighs_the_others():
    assert len(laws_of(made_effects(LEAST_SITES))) == 3
    assert laws_of(made_effects(LEAST_SITES - 1)).empty
    lone = made_effects(8)
    lone.loc[lone["site"] == "S00", "variance"] = 1e-8
    lone.loc[lone["site"] != "S00", "variance"] = 4.0
    assert laws_of(lone).empty


def test_nothing_of_a_site_stands_in_the_file():
    text = json.dumps(prior_document(made_effects()))
    assert "S0" not in text
    assert {one["sites"] for one in json.loads(text)["laws"]} == {12}


def distances(effects, used):
    """How far the laws are from what somebody knows of site S01 to the last digit."""
    known = effects[effects["site"] == "S01"].set_index("labels")["mean"]
    return np.mean([abs(known["\x1f".join(one["labels"])] - one["mean"]) for one in prior_document(used)["laws"]])


@pytest.mark.parametrize(("sites", "most"), [(5, 0.8), (12, 0.7)])
def test_whether_a_site_was_in_one_file_is_little_more_than_a_guess(sites, most):
    # Membership: who knows a site to the last digit holds one file, and takes the site for in it where the laws are near.
    # The chance that a file with the site looks nearer than one without, of other sites; 0.5 is a guess.
    near, far = [], []
    for seed in range(100):
        effects = made_effects(sites + 1, seed=1000 + seed)
        near.append(distances(effects, effects[effects["site"] != "S00"]))
        far.append(distances(effects, effects[effects["site"] != "S01"]))
    pairs = np.array(far)[:, None] - np.array(near)
    chance = np.mean((pairs > 0) + 0.5 * (pairs == 0))
    print(f"{sites} sites: {chance:.2f}")
    assert 0.5 < chance < most


def test_the_difference_of_two_files_never_tells_of_one_site(tmp_path):
    def file():
        return (tmp_path / "results" / "prior.json").read_bytes()

    for site, rows in made_effects(7).groupby("site"):
        write_rows(effects_of(tmp_path, site), rows)
    first = write_prior(tmp_path)
    assert (first["laws"], first["sites"], first["says"]) == (3, 7, "")
    before, more = file(), made_effects(12, seed=9)
    for site in ("S08", "S01", "S02", "S03"):  # one has come, three have learned more
        write_rows(effects_of(tmp_path, site), more[more["site"] == site])
        assert "3 of its laws and spreads stay as they were" in write_prior(tmp_path)["says"]
        assert file() == before
    effects_of(tmp_path, "S06").unlink()
    assert write_prior(tmp_path) | {"path": ""} == {"path": "", "laws": 3, "sites": 7, "says": ""}
    assert file() != before


def test_news_of_one_effect_waits_though_other_effects_have_news_of_many():
    # Somebody who holds the files of two nights: five sites have news of printing, one of them has news of packing too.
    before, after = made_effects(8), made_effects(8, seed=9)
    news = after["site"].isin([f"S{number:02d}" for number in range(5)]) & (after["labels"] == "MEX\x1fprinting")
    news |= (after["site"] == "S00") & (after["labels"] == "MEX\x1fpacking")
    after = after.where(news, before)
    used, wait = to_use(after, to_use(before, before[:0])[0])
    laws = {tuple(one["labels"]): one for one in prior_document(used)["laws"]}
    old = {tuple(one["labels"]): one for one in prior_document(before)["laws"]}
    now = {tuple(one["labels"]): one for one in prior_document(after)["laws"]}
    assert wait == 1
    assert laws["MEX", "packing"] == old["MEX", "packing"] != now["MEX", "packing"]
    assert laws["MEX", "printing"] == now["MEX", "printing"] != old["MEX", "printing"]
    later = after.where(after["site"] > "S04", made_effects(8, seed=10))
    assert to_use(later, used)[1] == 0


def test_an_effect_of_few_sites_is_not_held_and_not_in_the_file_until_it_is_of_enough():
    few, rest = made_effects(LEAST_SITES - 1), made_effects(LEAST_SITES)
    used, wait = to_use(few, few[:0])
    assert (prior_document(used)["laws"], wait) == ([], 0)
    assert len(prior_document(to_use(rest, used)[0])["laws"]) == 3


def test_what_the_runs_say_is_the_posterior_without_its_prior():
    rng = np.random.default_rng(3)
    prior = np.array([[0.3, 0.2], [0.2, 0.4]])
    noise, y = np.array([0.01, 0.5]), rng.normal(0, 1, 2)
    covariance = np.linalg.inv(np.linalg.inv(prior) + np.diag(1 / noise))
    mean = covariance @ (np.linalg.inv(prior) @ [0.1, -0.1] + y / noise)
    own, variance = likelihood_of(mean, covariance, np.array([0.1, -0.1]), prior)
    np.testing.assert_allclose(own, y, atol=1e-9)
    np.testing.assert_allclose(variance, noise, atol=1e-9)


def runs_of(stage, mean, count=60, seed=0, start=0):
    rng = np.random.default_rng(seed)
    baseline = rng.uniform(20, 60, count)
    return pd.DataFrame({
        "process": "MEX", "stage": stage, "baseline_min": baseline, "build_id": [f"B{stage}{start + i}" for i in range(count)],
        "actual_min": baseline * np.exp(rng.normal(mean, 0.15, count)), "attended": True,
        "ended_at": MONDAY + pd.to_timedelta(start * 100 + np.arange(count) * 500, unit="min"),
    })  # fmt: skip


KNOWN = Priors(
    means=(("location", "cell", ("MEX", "packing"), 0.5), ("scale", "cell", ("MEX", "packing"), 0.0)),
    sds=(("location", "cell", 0.1, 4.0), ("location", "whole", 0.1, 4.0), ("scale", "cell", 0.1, 4.0)),
)


def middle(model, stage="packing", baseline=30.0):
    rows = pd.DataFrame(
        {"process": ["MEX"], "stage": [stage], "baseline_min": [baseline], "prior_sd": [0.5], "attended": [True]}
    )
    low, half, high = model.predict_quantiles(rows, quantiles=(0.1, 0.5, 0.9))[[0.1, 0.5, 0.9]].iloc[0]
    return np.log(half / baseline), np.log(high / low)


def test_a_stage_without_a_run_here_is_expected_as_elsewhere_and_sharper_than_without():
    runs = runs_of("printing", 0.0, 20)
    known, alone = middle(Calibrator(priors=KNOWN).fit(runs)), middle(Calibrator().fit(runs))
    assert known[0] == pytest.approx(0.5, abs=0.12)
    assert known[1] < 0.7 * alone[1]


def test_own_runs_outweigh_what_others_say():
    apart = []
    for count in (1, 5, 400):
        own = pd.concat([runs_of("printing", 0.0, 20), runs_of("packing", 0.45, count, seed=5)])
        apart.append(abs(middle(Calibrator(priors=KNOWN).fit(own))[0] - middle(Calibrator().fit(own))[0]))
    assert apart[0] > apart[1] > apart[2]
    assert apart[2] < 0.02


@pytest.mark.parametrize(("mean", "used"), [(0.5, True), (-0.6, False)])
def test_a_site_unlike_the_others_goes_by_its_own_runs_alone(mean, used):
    # KNOWN says 0.5 of packing: runs at -0.6 are 1.1 from it, and 0.6 from no prior at all
    own = pd.concat([runs_of("printing", 0.0, 6), runs_of("packing", mean, 10, seed=5)])
    model, alone = Calibrator(priors=KNOWN).fit(own), Calibrator().fit(own)
    assert model.summary_["has_priors"] is used
    assert (middle(model) == middle(alone)) is not used


def test_what_is_expected_of_a_week_knows_nothing_of_how_later_runs_speak_of_the_priors():
    # 500 minutes apart, 20 a week: two weeks of packing, then of sanding, far from what others say of it or as they say
    priors = replace(KNOWN, means=(*KNOWN.means, ("location", "cell", ("MEX", "sanding"), 0.5)))
    first_weeks = runs_of("packing", 0.2, 40)
    far, near = (pd.concat([first_weeks, runs_of("sanding", mean, 60, seed=6, start=205)]) for mean in (-1.5, 0.5))
    speaks = [Calibrator(priors=priors, trees=False).fit(runs).summary_["has_priors"] for runs in (far, near)]
    assert speaks == [False, True]
    before, after = (replay(runs, weeks=4, options={"priors": priors, "trees": False}).head(20) for runs in (far, near))
    pd.testing.assert_frame_equal(before[list(LEVELS)], after[list(LEVELS)])


def test_a_fit_with_priors_is_the_same_after_it_was_stored():
    model = Calibrator(priors=KNOWN).fit(
        pd.concat([runs_of("printing", 0.0, 20), runs_of("inspection", 0.1, 20, seed=2)])
    )
    again = Calibrator.from_tables(model.to_tables())
    for stage in ("packing", "printing", "inspection", "sanding"):
        assert middle(again, stage) == middle(model, stage)


def test_kinds_of_machines_become_the_labs_machines():
    law = {"part": "location", "block": "machine_kind", "labels": ["extruder", "0"], "mean": 0.1}
    made = priors_from({"laws": [law], "spreads": []}, {"m1": "extruder", "m2": "masked", "m3": "extruder"})
    assert [labels for _, _, labels, _ in made.means] == [("m1", "0"), ("m3", "0")]


@pytest.mark.parametrize("spoiled", [{}, {"laws": 3, "spreads": []}, {"laws": [{"part": "location"}], "spreads": []},
                                     {"laws": [{"part": "location", "block": "cell", "labels": ["MEX", "x"], "mean": 40}], "spreads": []}])  # fmt: skip
def test_a_file_of_another_form_is_a_sentence(spoiled):
    with pytest.raises(UsageError, match=r"[Pp]rior"):
        priors_from(spoiled, {})


@pytest.mark.slow
def test_fit_with_a_prior_file_in_a_lab(company, tmp_path, capsys):
    file = tmp_path / "prior.json"
    file.write_text(json.dumps({"sites": 12} | prior_document(made_effects())))
    lab = str(company / "lab1")
    assert run(["fit", "--shop", lab, "--prior", str(file), "--json"]) == 0
    prior = json.loads(capsys.readouterr().out)["prior"]
    assert (prior["laws"], prior["sites"]) == (3, 12)
    assert run(["fit", "--shop", lab]) == 0
    assert ("What other sites know is not used" in capsys.readouterr().out) is not prior["used"]
    assert run(["fit", "--shop", lab, "--json"]) == 0
    assert json.loads(capsys.readouterr().out)["prior"] == prior
    assert run(["fit", "--shop", lab, "--prior", "none", "--json"]) == 0
    assert json.loads(capsys.readouterr().out)["prior"] is None
    file.write_text("no")
    assert run(["fit", "--shop", lab, "--prior", str(file)]) == 2
    assert "is no prior file" in capsys.readouterr().err
