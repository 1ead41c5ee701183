"""``calib why`` on a small lab: its use, its likeliest errors, and that it names nobody."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from calib.cli.app import run

PEOPLE = ("Ada Quill", "Bo Reed", "Cy Moss")
ODD = 12  # the run whose timer nobody stopped


def write_logs(folder: Path) -> None:
    builds = ["build_id,process,machine,parts,height_mm,part_volume_cm3,material"]
    stages = ["build_id,stage,started_at,ended_at,station,operator"]
    for i in range(40):
        day, who = f"2026-{3 + i // 20:02d}-{1 + i % 20:02d}", PEOPLE[0 if i % 2 else 2 if i % 8 == 0 else 1]
        builds.append(f"B{i},MEX,ext-1,{4 + i % 5},30,{20 + 3 * (i % 7)},pla")
        minutes = 400 if i == ODD else 12 + (i * 7) % 5 + (4 if who == PEOPLE[0] else 0)
        end = f"{10 + minutes // 60:02d}:{minutes % 60:02d}"
        stages.append(f"B{i},unloading,{day}T10:00,{day}T{end},bench,{who}")
    folder.mkdir(exist_ok=True)
    (folder / "builds.csv").write_text("\n".join(builds), encoding="utf-8")
    (folder / "stages.csv").write_text("\n".join(stages), encoding="utf-8")


@pytest.fixture(scope="module")
def shop(tmp_path_factory) -> str:
    folder = tmp_path_factory.mktemp("lab") / "shop"
    assert run(["init", str(folder), "--timezone", "Europe/Berlin"]) == 0
    write_logs(folder / "logs")
    assert run(["import", str(folder / "logs"), "--shop", str(folder)]) == 0
    assert run(["fit", "--shop", str(folder)]) == 0
    return str(folder)


def document(capsys, *arguments: str) -> dict:
    capsys.readouterr()
    assert run([*arguments, "--json"]) == 0
    return json.loads(capsys.readouterr().out)


def test_why_as_a_person_reads_it(shop, capsys):
    capsys.readouterr()
    assert run(["why", "fff", "Unloading", "--shop", shop]) == 0
    shown = capsys.readouterr().out
    assert "MEX unloading: a run takes" in shown
    assert "40 runs, up to 20 Apr 2026." in shown
    assert "stages.csv line 14" in shown
    assert "likely a wrong log: a timer that nobody stopped?" in shown
    assert not any(word in shown for name in PEOPLE for word in name.split())


def test_fit_and_why_say_the_same_of_a_run(shop, capsys):
    of_why = document(capsys, "why", "MEX", "unloading", "--shop", shop)["single_run"]
    [cell] = document(capsys, "fit", "--shop", shop)["cells"]
    assert {name: cell[name] for name in of_why} == pytest.approx(of_why, rel=1e-9)
    assert run(["fit", "--shop", shop]) == 0
    line = next(line for line in capsys.readouterr().out.splitlines() if "unloading" in line)
    assert line.split()[-4:] == [f"{of_why[name]:.2f}" for name in ("p50_ratio", "p10_ratio")] + [
        "to",
        f"{of_why['p90_ratio']:.2f}",
    ]


def test_the_document_adds_up(shop, capsys):
    found = document(capsys, "why", "MEX", "unloading", "--shop", shop)
    assert found["runs"] == found["total"]["runs"] == 40
    product = 1.0
    for part in found["parts"]:
        product *= 1 + part["per_cent"] / 100
        assert part["low_pct"] <= part["per_cent"] <= part["high_pct"]
    assert product == pytest.approx(1 + found["total"]["per_cent"] / 100)
    odd = found["residuals"][0]
    assert (odd["build_id"], odd["file"], odd["line"], odd["likely_wrong"]) == (f"B{ODD}", "stages.csv", 14, True)
    assert odd["ended_at"].startswith("2026-03-13T16:40:00+01:00")
    first = found["narrowing"][0]
    assert first["least_pct"] <= first["then_pct"] <= first["now_pct"]


def test_persons_are_aliases_only_with_ten_runs_and_only_when_asked_for(shop, capsys):
    plain = document(capsys, "why", "MEX", "unloading", "--shop", shop)
    asked = document(capsys, "why", "MEX", "unloading", "--shop", shop, "--persons")
    assert "operator" not in {one["factor"] for one in plain["values"]}
    assert plain["people"]["told_apart"] == 2
    persons = [one for one in asked["values"] if one["factor"] == "operator"]
    assert sorted(one["runs"] for one in persons) == [15, 20]  # the third has five
    assert [one["value"] for one in persons] == sorted(one["value"] for one in persons)
    assert all(one["value"].startswith("P-") for one in persons)


def test_a_stage_without_runs_is_told_by_the_rest(shop, capsys):
    found = document(capsys, "why", "MEX", "support removal", "--shop", shop)
    assert (found["runs"], found["residuals"], found["size"]) == (0, [], None)
    assert found["narrowing"][0]["now_pct"] > 30


@pytest.mark.parametrize(
    ("words", "says"),
    [
        (["PBF", "blastin"], '"blastin" is no stage. Did you mean blasting?'),
        (["PBF", "xyz"], '"xyz" is no stage. Logged stages of PBF: none.'),
        (["plastic", "blasting"], '"plastic" is no process. Processes: MEX, VPP, PBF.'),
    ],
)
def test_wrong_words(shop, capsys, words, says):
    capsys.readouterr()
    assert run(["why", *words, "--shop", shop]) == 2
    assert says in capsys.readouterr().err


def test_before_a_fit_it_says_what_to_run(tmp_path, capsys):
    assert run(["init", str(tmp_path / "new"), "--timezone", "UTC"]) == 0
    capsys.readouterr()
    assert run(["why", "MEX", "printing", "--shop", str(tmp_path / "new")]) == 2
    assert "Run: calib fit" in capsys.readouterr().err
