"""What is done once for an order is reckoned once, however many builds the order takes."""

from __future__ import annotations

import pandas as pd
import pytest

from calib.records import STAGES
from calib.shop.read_shop import shop_from_text
from calib.shop.template import shop_text
from calib.workflow.fit import read_logged
from calib.workflow.fitted import find_fitted
from calib.workflow.import_logs import import_logs
from calib.workflow.init import init_shop
from calib.workflow.predict import scheduled_rows
from calib.workflow.training_rows import training_rows


@pytest.fixture(scope="module")
def lab(tmp_path_factory):
    return shop_from_text(shop_text("UTC")), find_fitted(tmp_path_factory.mktemp("none"))


def build(name: str, parts: int, together: object = "") -> dict:
    return {
        "build_id": name, "process": "VPP", "machine": "vpp1", "material": "resin", "parts": parts, "height_mm": 30.0,
        "part_volume_cm3": 4.0 * parts, "part_area_cm2": 20.0 * parts, "support_volume_cm3": 0.5 * parts,
        "support_contact_cm2": 0.7 * parts, "together": together,
    }  # fmt: skip


def minutes(lab, *builds: dict) -> pd.DataFrame:
    """Baselines by stage (rows) and build."""
    rows = scheduled_rows(pd.DataFrame(builds), *lab)
    return rows.pivot_table(index="stage", columns="build_id", values="baseline_min", aggfunc="sum")


def test_stages_of_an_order_add_up_to_the_order_and_no_other_is_touched(lab):
    whole, alone = minutes(lab, build("w", 24)), minutes(lab, build("a", 16), build("b", 8))
    shared = minutes(lab, build("a", 16, "O1"), build("b", 8, "O1"), build("c", 8, "O2"), build("d", 8, float("nan")))
    for stage in shared.index:
        once = STAGES[stage].scope == "order"
        expected = whole.loc[stage, "w"] if once else alone.loc[stage, ["a", "b"]].sum()
        assert shared.loc[stage, ["a", "b"]].sum() == pytest.approx(expected), stage
        assert shared.loc[stage, "c"] == shared.loc[stage, "d"] == pytest.approx(alone.loc[stage, "b"])
    assert alone.loc["inspection", ["a", "b"]].sum() > 1.1 * whole.loc["inspection", "w"]  # else it would show nothing


def test_a_run_for_a_whole_order_is_learned_beside_the_baseline_of_the_order(tmp_path):
    """Two builds packed in one run: its minutes over what packing of both together takes, not over two packings."""
    folder = tmp_path / "lab"
    init_shop(folder, "UTC")
    names, logs = ("build_id,process,machine,parts,order_id", "build_id,stage,started_at,ended_at"), []
    for head, rows in zip(
        names,
        (["a,VPP,vpp1,16,O1", "b,VPP,vpp1,8,O1"], ["a+b,packing,2026-03-02T09:00,2026-03-02T09:30"]),
        strict=True,
    ):
        logs.append(tmp_path / f"log{len(logs)}.csv")
        logs[-1].write_text("\n".join([head, *rows]) + "\n", encoding="utf-8")
    import_logs(folder, logs)
    logged = read_logged(folder)
    learned = training_rows(logged.builds, logged.runs, logged.baselines, logged.last_end).rows
    whole = minutes((logged.shop, find_fitted(tmp_path)), build("w", 24)).loc["packing", "w"]
    assert learned["actual_min"].sum() == pytest.approx(30)
    assert learned["baseline_min"].sum() == pytest.approx(whole, rel=1e-6)
