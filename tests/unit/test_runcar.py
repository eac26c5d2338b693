"""The car that a log keeps comes from a stranger: it is right, or told, or one clear error; never a trace."""

from __future__ import annotations

import contextlib
import copy
import json
import random
import tomllib
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from fakes.board import ScriptedBoard, log_of
from fakes.runs import run_of
from undertray.acquire.runfacts import parse_annotation
from undertray.acquire.runfolder import Drive, counted_once, drive_of
from undertray.acquire.runlog import read_run
from undertray.errors import UndertrayError
from undertray.reduce.car import Car
from undertray.reduce.runcar import car_differences, run_car

DEMO = Path(__file__).parents[2] / "demo_logs" / "car.toml"
HOSTILE: list[Any] = [
    *(
        None,
        True,
        -1,
        0,
        1e300,
        -1e300,
        10**400,
        "",
        "x" * 5000,
        "1e400 kg",
        "nan",
        "3,1",
        "\x1b[2J",
        "\u202e",
    ),
    *([], {}, [[]], [None], {"a": 1}, [[0, 0]] * 500, [[1e200, 1], [2, -1e200], [3, 5]], [{}] * 20, "7 lbf"),
]
RUN = run_of(np.arange(0, 2, 0.01), np.full((200, 4), 500.0), np.full(200, 1700.0))


def spoiled(car: dict[str, Any], draw: random.Random) -> dict[str, Any]:
    """A car with one to three values, at any depth, replaced, left out or added."""
    car = copy.deepcopy(car)
    for _ in range(draw.randint(1, 3)):
        home: Any = car
        if draw.random() < 0.4:
            home = draw.choice(car["tap"]) if isinstance(car.get("tap"), list) and car["tap"] else car
        if not isinstance(home, dict):
            continue
        key = draw.choice([*home, "new", "fan", "tube_bore", "skirt_travel"])
        if draw.random() < 0.15:
            home.pop(key, None)
        else:
            home[key] = draw.choice(HOSTILE)
    return car


def test_hostile_cars_in_a_log_are_used_whole_or_told() -> None:
    good = tomllib.loads(DEMO.read_text(encoding="utf-8"))
    given, draw, used = Car.from_toml(DEMO), random.Random(12), 0
    for _ in range(3000):
        run = replace(RUN, car=spoiled(good, draw))
        chosen = run_car(run, given, "car.toml")
        if chosen.car == given:
            continue
        used += 1
        assert chosen.notices  # another car than the file's is never used in silence
        assert all(text.isprintable() for text in chosen.notices)
        assert all(len(text) < 2000 for text in chosen.notices)
    assert used > 20  # of 3000: enough to show that the loop above looked at something
    for _ in range(500):
        run = replace(RUN, car=spoiled(good, draw), facts={"mass": draw.choice(HOSTILE)})
        said = ""
        try:
            assert 0 < run_car(run, None).car.mass_kg < 200
        except UndertrayError as error:
            said = str(error)
        assert len(said) < 2000
        assert not said or said.isprintable()


def test_a_log_full_of_hostile_remarks_is_read(tmp_path: Path) -> None:
    draw, log = random.Random(7), log_of(ScriptedBoard(2), 40).split(b"\n")
    when = ("2026-05-02T10:15:00Z", "2026-05-02\x1b10:15:00", "now", 7)
    for number in range(400):
        data = {
            "at_utc": draw.choice(when),
            "facts": draw.choice([*HOSTILE, {"skirt": draw.choice(HOSTILE)}, {draw.choice("ab\n="): "x"}]),
            "car": draw.choice([None, *HOSTILE]),
            "after_half_line": draw.choice([True, False, 1, "x"]),
        }
        car = {draw.choice(["mass", "tap", "name"]): draw.choice(HOSTILE)}
        lines = list(log)
        for word, value in ((b"#annotated ", data), (b"#car ", car)):
            place = draw.randrange(1, len(lines))
            lines.insert(place, word + json.dumps(value).encode())
        path = tmp_path / f"{number}.csv"
        path.write_bytes(b"\n".join(lines))
        run = read_run(path)
        assert len(run.seq) == 40
        for one in run.corrections:
            assert str(one).isprintable()
        with contextlib.suppress(UndertrayError):
            run_car(run, None)


def test_an_annotation_is_what_the_program_writes_and_nothing_else() -> None:
    good = {"at_utc": "2026-05-02T10:15:00Z", "facts": {"skirt": "foam", "gap": None}}
    found = parse_annotation(good)
    assert found is not None
    assert (found.facts, found.car, found.after_half_line) == (good["facts"], None, False)
    for change in (
        {"at_utc": None},
        {"facts": []},
        {"facts": {"host": "x"}},
        {"facts": {"a": 1}},
        {"car": "x"},
    ):
        assert parse_annotation({**good, **change}) is None
    assert parse_annotation(None) is None


def test_differences_are_named_by_the_keys_of_the_file() -> None:
    car = Car.from_toml(DEMO)
    taps = (replace(car.taps[0], x_mm=41.5), *car.taps[1:3])
    other = replace(car, mass_kg=3.5, taps=taps, floor_mm=(*car.floor_mm[:-1], (-44.0, 55.0)), tyre_mu=None)
    assert set(car_differences(other, car)) == {
        ("mass", "3.5 kg", "2.9 kg"),
        ("floor", "", ""),
        ("tyre_mu", "none", "0.9"),
        ("tap front-left x", "41.5 mm", "40 mm"),
        ("tap rear-right", "", ""),
    }
    assert car_differences(car, car) == ()


def test_every_key_of_a_car_is_compared() -> None:
    """A new key that nobody thought of here must not differ in silence."""
    import dataclasses

    car = Car.from_toml(DEMO)
    for field in dataclasses.fields(Car):
        if field.name == "units":
            continue  # how its numbers are shown, not what it is
        before = getattr(car, field.name)
        after = (
            before[1:] if isinstance(before, tuple) and before else ((1.0, 2.0),) if before == () else 0.125
        )
        if isinstance(before, str):
            after = before + "x"
        assert car_differences(replace(car, **{field.name: after}), car), field.name


@pytest.mark.parametrize("rows", [1, 2, 300, 70_000])
def test_a_drive_is_known_again_whatever_its_length(rows: int) -> None:
    rng = np.random.default_rng(rows)
    taps = rng.normal(500, 20, (rows + 1, 2))
    whole = run_of(np.arange(rows + 1) / 200, taps, np.full(rows + 1, 1700.0))
    other = run_of(np.arange(rows + 1) / 200, taps[::-1], np.full(rows + 1, 1700.0))
    drives = [drive_of(run) for run in (whole, other, replace(whole, host_us=whole.host_us + 7))]
    assert counted_once([None, *drives]) == [0, 1, 2, 1]
    assert all(len(one.marks) <= 256 for one in drives)
    assert Drive.from_dict(json.loads(json.dumps(drives[0].as_dict()))) == drives[0]


@pytest.mark.parametrize(
    "change", [{"marks": [-1]}, {"marks": ["x"]}, {"zeros": 99}, {"rows": None}, {"x": 1}]
)
def test_a_drive_that_somebody_else_remembered_is_checked(change: dict[str, Any]) -> None:
    good = Drive((8, 16), 3, 40, "").as_dict()
    assert Drive.from_dict(good) is not None
    assert Drive.from_dict({**good, **change}) is None
