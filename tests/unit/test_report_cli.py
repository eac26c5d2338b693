"""The three commands a person looks with, on the demo recordings."""

from __future__ import annotations

import csv
import json
import re
import shutil
from pathlib import Path
from typing import Any

import pytest
from typer.testing import Result

from fakes.program import CliRunner
from undertray.cli import app
from undertray.errors import UndertrayError
from undertray.report.words import few_names

DEMO = Path(__file__).parents[2] / "demo_logs"
CAR = ("--car", str(DEMO / "car.toml"))
RUNS = ("clean-hold", "front-fold", "slow-leak", "hose-off")


def _run(*arguments: str | Path) -> Result:
    return CliRunner().invoke(app, [str(a) for a in arguments])


@pytest.fixture(scope="module")
def calibration(tmp_path_factory: pytest.TempPathFactory) -> Path:
    path = tmp_path_factory.mktemp("calibration") / "calibration.json"
    done = _run("calibrate", "--points", DEMO / "column.csv", "--out", path)
    assert done.exit_code == 0, done.output
    return path


@pytest.fixture(scope="module")
def fold_page(tmp_path_factory: pytest.TempPathFactory) -> str:
    out = tmp_path_factory.mktemp("fold") / "report.html"
    done = _run("report", DEMO / "front-fold.csv", *CAR, "--out", out)
    assert done.exit_code == 0, done.output
    return out.read_text(encoding="utf-8")


def _word(html: str) -> str:
    found = re.search(r'class="word"><span[^>]*>.</span> ([^<]+)<', html)
    assert found is not None
    return found[1]


def test_a_fold_has_let_go_at_its_axle(fold_page: str) -> None:
    assert _word(fold_page) == "let go"
    assert "The front let go at " in fold_page


@pytest.mark.slow
@pytest.mark.parametrize(
    ("name", "word", "axle"),
    # what the truth beside each recording says: it folds at the front; it peels off; it holds
    [("clean-hold", "held", None), ("front-fold", "let go", "front"), ("slow-leak", "let go", "front")],
)
def test_report_of_a_demo_run(
    tmp_path: Path, calibration: Path, name: str, word: str, axle: str | None
) -> None:
    out = tmp_path / "report.html"
    done = _run("report", DEMO / f"{name}.csv", *CAR, "--calibration", calibration, "--out", out)
    assert done.exit_code == 0, done.output
    html = out.read_text(encoding="utf-8")
    assert _word(html) == word
    if axle is not None:
        assert f"The {axle} let go at " in html


def test_report_says_when_the_fold_came_and_that_the_taps_fell_together(fold_page: str) -> None:
    truth = json.loads((DEMO / "front-fold.truth.json").read_text(encoding="utf-8"))
    event = next(e for e in truth["events"] if e["kind"] == "seal-loss")
    html = fold_page
    row = re.search(r">1 seal-loss</th><td[^>]*>([\d.]+) s</td><td[^>]*>([^<]+)</td>", html)
    assert row is not None
    # the promise of the detector is 30 ms at the 95th percentile
    assert float(row[1]) == pytest.approx(event["onset_s"], abs=0.03)
    # all four leave their level at one sample: there is no order to tell
    assert row[2] == "together"
    assert "4 taps fell together." in html
    assert "uncalibrated" in html


def test_several_runs_make_one_page_and_pictures_with_their_numbers(tmp_path: Path) -> None:
    out, folder = tmp_path / "two.html", tmp_path / "pictures"
    runs = [DEMO / "clean-hold.csv", DEMO / "hose-off.csv"]
    done = _run(
        "report", *runs, *CAR, "--out", out, "--pictures", folder, "--units", "us", "--title", "A <b>day</b>"
    )
    assert done.exit_code == 0, done.output
    html = out.read_text(encoding="utf-8")
    assert "A &lt;b&gt;day&lt;/b&gt;" in html
    assert html.count("<article") == 2
    drawn = sorted(p.stem for p in (folder / "run-1").glob("*.svg"))
    assert drawn == sorted(p.stem for p in (folder / "run-1").glob("*.csv"))
    assert {"run", "floor-steady", "throttle", "seal-index"} <= set(drawn)
    with (folder / "run-2" / "run.csv").open(encoding="utf-8", newline="") as file:
        heads = next(csv.reader(file))
    assert any("inH₂O" in head for head in heads)


def test_it_says_the_verdict_the_page_and_what_comes_next(tmp_path: Path, calibration: Path) -> None:
    log, car = tmp_path / "a run.csv", DEMO / "car.toml"
    log.write_bytes((DEMO / "front-fold.csv").read_bytes())
    done = _run("report", log, "--car", car, "--calibration", calibration)
    assert done.exit_code == 0, done.output
    reduced = _run("reduce", log, "--car", car, "--calibration", calibration).stdout
    verdict = reduced.split("\na run:")[0]
    page = tmp_path / "a run.html"
    assert done.stdout.startswith(f"{verdict}\npage: {page}\nnext: undertray reduce '{log}' --car ")
    assert page.stat().st_size > 100_000
    refused = _run("report", log, log, "--car", car)
    assert refused.exit_code == 2
    assert "a page of several runs needs its name" in refused.stderr


@pytest.mark.slow  # by default: a page part in two processes, and the page of a run in memory
def test_report_twice_is_the_same_bytes(tmp_path: Path) -> None:
    pages = []
    for name in ("a.html", "b.html"):
        assert _run("report", DEMO / "hose-off.csv", *CAR, "--out", tmp_path / name).exit_code == 0
        pages.append((tmp_path / name).read_bytes())
    assert pages[0] == pages[1]


def test_compare_of_demo_runs(tmp_path: Path, calibration: Path) -> None:
    runs = [DEMO / f"{name}.csv" for name in RUNS]
    arguments = ("compare", *runs, *CAR, "--calibration", calibration, "--by", "skirt")
    done = _run(*arguments, "--pictures", tmp_path)
    assert done.exit_code == 0, done.output
    assert "against" in done.stdout
    assert (tmp_path / "comparison.svg").is_file()
    data = json.loads(_run(*arguments, "--json").stdout)
    assert data["by"] == "skirt"
    assert sum(len(group["runs"]) for group in data["groups"]) == 4


def test_sessions_of_the_demo_folder(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, calibration: Path
) -> None:
    monkeypatch.setenv("UNDERTRAY_CACHE", str(tmp_path / "cache"))
    folder = tmp_path / "runs"
    folder.mkdir()
    for name in RUNS:
        shutil.copy(DEMO / f"{name}.csv", folder)
    shutil.copy(DEMO / "column.csv", folder)
    arguments = ("sessions", folder, *CAR, "--calibration", calibration, "--sort", "margin")
    first = _run(*arguments)
    assert first.exit_code == 0, first.output
    said, empty, *lines = first.stdout.splitlines()
    assert (said[:21], empty) == ("4 runs: 2 let go, 2 h", "")  # the answer first, then a line a run
    assert said.endswith(", in front-fold.csv.")
    assert len(lines) == 5
    assert "note: 1 file is not a run log: column.csv" in first.stderr
    assert lines[1].startswith("front-fold.csv")
    assert _run(*arguments).stdout == first.stdout
    listed = json.loads(_run(*arguments, "--json", "--no-cache").stdout)
    assert [one["file"] for one in listed] == [line.split()[0] for line in lines[1:]]
    assert listed[0]["losses"] == 1


def test_a_calibration_of_another_board_is_told_by_compare_and_tare(
    tmp_path: Path, calibration: Path
) -> None:
    foreign = tmp_path / "foreign.json"
    data = json.loads(calibration.read_text(encoding="utf-8"))
    foreign.write_text(json.dumps({**data, "uid": "0badf00d"}), encoding="utf-8")
    runs = [DEMO / "clean-hold.csv", DEMO / "front-fold.csv"]
    for chosen, is_told in ((foreign, True), (calibration, False)):
        compared = _run("compare", *runs, *CAR, "--calibration", chosen)
        said = "the calibration was made on another board than clean-hold.csv, front-fold.csv"
        assert (said in compared.stdout) == is_told
        assert said not in " ".join(compared.stderr.split())  # once is enough
        as_json = _run("compare", *runs, *CAR, "--calibration", chosen, "--json")
        assert (said in json.loads(as_json.stdout)["notices"]) == is_told
        tared = _run("tare", runs[0], "--calibration", chosen)
        assert ("another board" in tared.stdout) == is_told


def test_few_names_are_few_and_safe() -> None:
    assert few_names(["a.csv", "\x1b[31m.csv"]) == "a.csv, \\x1b[31m.csv"
    assert few_names([f"{i}.csv" for i in range(9)]) == "0.csv, 1.csv, 2.csv, 3.csv, 4.csv and 4 more"


def test_compare_goes_on_without_what_cannot_be_compared(tmp_path: Path, calibration: Path) -> None:
    factless = tmp_path / "factless.csv"
    text = (DEMO / "slow-leak.csv").read_text(encoding="utf-8")
    factless.write_text(text.replace('"skirt"', '"other"', 1), encoding="utf-8")
    bad = [DEMO / "column.csv", factless]
    runs = [DEMO / "clean-hold.csv", bad[0], DEMO / "front-fold.csv", bad[1]]
    done = _run("compare", *runs, *CAR, "--calibration", calibration)
    assert done.exit_code == 0, done.output
    assert "note: left out: column.csv, factless.csv" in done.stdout
    said = " ".join(done.stderr.split())
    assert "not a run log" in said
    assert "does not say its 'skirt'" in said
    data = json.loads(_run("compare", *runs, *CAR, "--json").stdout)
    assert "left out: column.csv, factless.csv" in data["notices"]
    # with fewer than two groups left it stops
    alone = _run("compare", runs[0], *bad, *CAR)
    assert isinstance(alone.exception, UndertrayError)
    assert "nothing to compare" in str(alone.exception)
    assert "column.csv" in alone.stderr
    assert "not a run log" in str(_run("compare", bad[0], bad[0], *CAR).exception)


def test_what_is_printed_often_has_one_line_of_caution(tmp_path: Path, calibration: Path) -> None:
    runs = [DEMO / "clean-hold.csv", DEMO / "front-fold.csv"]
    shutil.copy(runs[0], tmp_path)
    for arguments in (("reduce", runs[0]), ("compare", *runs), ("sessions", tmp_path, "--no-cache")):
        done = _run(*arguments, *CAR, "--calibration", calibration)
        cautions = [line for line in done.stderr.splitlines() if "aution" in line]
        assert cautions == done.stderr.splitlines()[-1:], arguments[0]
        assert "local rules come first" in cautions[0]
        assert "README" in cautions[0]
        assert len(cautions[0]) <= 100


@pytest.mark.parametrize("command", ["report", "compare", "sessions"])
def test_help_has_an_example_and_wrong_units_are_wrong_usage(command: str) -> None:
    assert "Example: undertray" in " ".join(_run(command, "--help").output.split())
    out = ("--out", "x.html") if command == "report" else ()
    assert _run(command, "x.csv", *CAR, *out, "--units", "furlongs").exit_code == 2


@pytest.mark.parametrize(
    ("arguments", "part"),
    [
        (("report", "none.csv", *CAR, "--out", "x.html"), "none.csv"),
        (("compare", DEMO / "clean-hold.csv", *CAR, "--by", "skirt"), "nothing to compare"),
        (("compare", DEMO / "clean-hold.csv", *CAR, "--by", "tyre"), "does not say its 'tyre'"),
        (("sessions", "none", *CAR), "no such folder"),
    ],
)
def test_bad_input_is_one_clear_error(arguments: Any, part: str) -> None:
    done = _run(*arguments)
    assert isinstance(done.exception, UndertrayError)
    assert part in str(done.exception)
    assert "\n" not in str(done.exception)
