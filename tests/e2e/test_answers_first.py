"""What a command found stands in its first sentence, with number and interval, and stands there once."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

from fakes.program import undertray
from fakes.reductions import CAR_TOML, LOGS

RUNS = [LOGS / f"{name}.csv" for name in ("clean-hold", "front-fold")]
GIVEN = ("--car", CAR_TOML)
SPRINGS = """
[ride]
front_rate = "6.2 N/mm"
rear_rate = "7 N/mm"
front_clearance = "4 mm"
rear_clearance = "3.5 mm"
"""
FORCE, PRESSURE = r"[+−]?\d+\.?\d* N", r"\d+ Pa"
LEAST = rf"least margin {FORCE} \([+−\d.]+ to {FORCE}\), rear axle, at 1800 µs and 180 degrees"


@pytest.mark.parametrize(
    ("words", "first"),
    [
        (
            ("window", *GIVEN),
            rf"Upside down it holds from a suction of {PRESSURE} \(\d+ to {PRESSURE}\) on; up to where",
        ),
        (
            ("compare", *RUNS, *GIVEN),
            r"brush strip, 0.5 mm gap has \d+\.\d% less suction than closed-cell foam, .* \(−[\d.]+ Pa\): ",
        ),
        (
            ("whatif", RUNS[0], *GIVEN, "--mass", "+300 g"),
            rf"As it is: {LEAST}\. As asked: {LEAST}, {FORCE}( \([+−\d.]+ to {FORCE}\))? against as it is\.",
        ),
        (
            ("ride", "--suction", "900 Pa", "--suction", "1200 Pa", "--car", "SPRUNG"),
            r"At 1200 Pa the car keeps a gap of [\d.]+ mm \([\d.]+ to [\d.]+ mm\) at the least; the floor",
        ),
    ],
    ids=["window", "compare", "whatif", "ride"],
)
def test_the_answer_is_the_first_sentence_and_none_is_said_twice(
    tmp_path: Path, words: tuple[object, ...], first: str
) -> None:
    sprung = tmp_path / "car.toml"
    sprung.write_text(CAR_TOML.read_text(encoding="utf-8") + SPRINGS, encoding="utf-8")
    done = undertray(*(sprung if word == "SPRUNG" else word for word in words))
    said = " ".join(done.stdout.split())
    assert re.match(first, said), said[:300]
    told = [line.strip() for line in (done.stdout + done.stderr).splitlines() if len(line.strip()) > 60]
    assert [line for line in told if told.count(line) > 1] == []


def test_nothing_asked_is_answered_once() -> None:
    done = undertray("whatif", RUNS[0], *GIVEN)
    assert "As asked" not in done.stdout
    assert done.stdout.count("front axle, load") == 1


def test_one_run_alone_cannot_be_compared_and_what_to_do_is_said() -> None:
    done = undertray("compare", RUNS[0], *GIVEN)
    assert (done.returncode, done.stdout) == (1, "")
    assert "name runs of another one too, or group by another fact (--by)" in done.stderr
