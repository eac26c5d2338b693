"""A structured fuzz: right by the grammar and by every check, hostile in what it says.

Only results and the project's own errors may come out, on one line; no trace, no NaN in JSON, no hang, no
more than 1 GB of memory, and not even a warning of a library. What is read, and by what: ``fakes/ordeal.py``.
"""

from __future__ import annotations

from pathlib import Path

import pytest

from fakes.ordeal import bounded, command, own_error_only

LOGS = Path(__file__).parents[2] / "demo_logs"
RUN, CAR, POINTS = LOGS / "clean-hold.csv", LOGS / "car.toml", LOGS / "column.csv"
LONG = "n" * 300
_CALIBRATE = ["calibrate", "--water-c", "20", "--zero-open", "--points"]

FEW = dict.fromkeys(("log", "car", "points", "pulls", "gaps", "fetch", "journal"), 25)
FULL = {"log": 20_000, "live": 5000, "car": 5000, "calibration": 5000, "board": 5000, "points": 5000}
FULL |= {"pulls": 5000, "drag": 2000, "gaps": 2000, "fetch": 2000, "journal": 2000, "reference": 2000}
# at least this share must be taken and not refused, or little is tried behind the readers
TAKEN = {"log": 0.35, "live": 0.15, "car": 0.15, "calibration": 0.15, "board": 0.3, "points": 0.08}
TAKEN |= {"pulls": 0.2, "drag": 0.3, "gaps": 0.08, "fetch": 0.1, "journal": 0.1, "reference": 0.2}


def _all(kind: str, seeds: range, folder: Path) -> None:
    taken = 0
    with bounded():
        for seed in seeds:
            try:
                taken += own_error_only(kind, seed, folder)
            except BaseException as error:
                error.add_note(f"{kind}, seed {seed}")
                raise
    assert taken >= TAKEN[kind] * len(seeds), f"{taken} of {len(seeds)} were taken"


@pytest.mark.parametrize("kind", FEW)
def test_nothing_foreign_comes_out(kind: str, tmp_path: Path) -> None:
    _all(kind, range(FEW[kind]), tmp_path)


@pytest.mark.slow
@pytest.mark.parametrize("kind", FULL)
def test_nothing_foreign_comes_out_of_many(kind: str, tmp_path: Path) -> None:
    _all(kind, range(100_000, 100_000 + FULL[kind]), tmp_path)


@pytest.mark.parametrize(
    "words",
    [
        ["inspect", LONG],
        ["reduce", LONG, "--car", CAR],
        ["reduce", RUN, "--car", LONG],
        ["reduce", RUN, "--car", CAR, "--calibration", LONG],
        ["reduce", RUN, "--car", CAR, "--reference", LONG],
        ["reduce", RUN, "--car", CAR, "--png", f"{LONG}.png"],
        ["report", RUN, "--car", CAR, "--out", f"{LONG}/page.html"],
        ["report", RUN, "--car", CAR, "--out", "/dev/null", "--pictures", LONG],
        ["export", RUN, "--out", f"{LONG}.csv"],
        ["record", "--port", RUN, "--quiet", "--out", f"{LONG}.csv"],
        ["record", "--port", RUN, "--quiet", "--out", f"{LONG}/run.csv"],
        ["record", "--port", RUN, "--quiet", "--out", f"{LONG}/"],
        ["record", "--port", LONG, "--quiet", "--out", "run.csv"],
        ["record", "--port", f"socket://{LONG}:1", "--quiet", "--out", "run.csv"],
        ["sessions", LONG, "--car", CAR],
        ["compare", RUN, LONG, "--car", CAR],
        ["compare", RUN, RUN, "--car", CAR, "--by", LONG],
        [*_CALIBRATE, LONG, "--out", "/dev/null"],
        [*_CALIBRATE, POINTS, "--out", LONG],
        [*_CALIBRATE, POINTS, "--out", "/dev/null", "--certificate", f"{LONG}.png"],
        [*_CALIBRATE, POINTS, "--out", "/dev/null", "--previous", LONG],
        ["reference", RUN, "--car", CAR, "--out", LONG],
        ["tare", LONG],
        ["target", "--car", LONG],
        ["board", "check", LONG],
        ["score", LONG],
        ["virtual", "--story", LONG, "--listen", "127.0.0.1:0"],
        ["column", LONG],
        ["demo", "--out", LONG],
    ],
    ids=lambda words: " ".join(str(word)[-12:] for word in words),
)
def test_a_name_of_300_characters_is_one_line(
    words: list[object], tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(tmp_path)
    status, _, said = command(*words)
    assert status == 1
    assert said.splitlines()[-1].startswith("undertray: ")
    assert not list(tmp_path.iterdir())
