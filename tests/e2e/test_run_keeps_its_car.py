"""A log keeps the car it was driven with: editing car.toml later changes no old run in silence."""

from __future__ import annotations

import json
import subprocess
from pathlib import Path

import pytest

from fakes.cells import thinned
from fakes.program import undertray

LOGS = Path(__file__).parents[2] / "demo_logs"
CAR = (LOGS / "car.toml").read_text(encoding="utf-8")
G_N = 9.80665
ALLOWED = 1.25  # 1 and the allowance of the demo car


def needed(done: subprocess.CompletedProcess[str]) -> float:
    """Mass that the needed force of a summary stands for, kg."""
    assert done.returncode == 0, done.stderr
    value = json.loads(done.stdout)["hold"]["required_n"]
    assert isinstance(value, float)
    return value


@pytest.fixture(scope="module")
def recorded(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A log recorded with the demo car, from what a board sent."""
    folder = tmp_path_factory.mktemp("recorded")
    (folder / "car.toml").write_text(CAR, encoding="utf-8")
    wire = []
    for line in (LOGS / "clean-hold.csv").read_bytes().split(b"\n"):
        if line.startswith(b"#wire "):
            wire.append(line.split(b" ", 2)[2])
        elif line[:1].isdigit():
            wire.append(line.partition(b",")[2])
    (folder / "capture.txt").write_bytes(b"".join(line + b"\n" for line in wire))
    done = undertray(
        "record", "--port", folder / "capture.txt", "--out", folder / "run.csv", "--car", folder / "car.toml"
    )
    assert done.returncode == 0, done.stderr
    return folder / "run.csv"


def own_car(log: Path) -> dict[str, object]:
    lines = log.read_text(encoding="utf-8").splitlines()
    assert lines[1].startswith("#run ")
    assert lines[2].startswith("#car ")
    car = json.loads(lines[2].removeprefix("#car "))
    assert isinstance(car, dict)
    return car


def edited(tmp_path: Path, *changes: tuple[str, str]) -> Path:
    text = CAR
    for old, new in changes:
        assert old in text
        text = text.replace(old, new, 1)
    (tmp_path / "car.toml").write_text(text, encoding="utf-8")
    return tmp_path / "car.toml"


def put(tmp_path: Path, recorded: Path, car: str | None, name: str = "run.csv") -> Path:
    """A copy of the recorded log with another ``#car`` line, or none."""
    lines = recorded.read_text(encoding="utf-8").split("\n")
    assert lines[2].startswith("#car ")
    lines[2:3] = [] if car is None else [car]
    (tmp_path / name).write_text("\n".join(lines), encoding="utf-8")
    return tmp_path / name


def test_the_log_holds_the_whole_car_and_reads_without_the_file(recorded: Path) -> None:
    car = own_car(recorded)
    assert (car["mass"], car["wheelbase"], len(car["floor"]), len(car["tap"])) == (2.9, 262, 6, 4)  # type: ignore[arg-type]
    done = undertray("reduce", recorded, "--json")
    # derived: upside down the need is the weight and its allowance, in equal shares of both axles at most
    same = undertray("reduce", recorded, "--car", recorded.parent / "car.toml", "--json")
    assert json.loads(done.stdout) == json.loads(same.stdout)
    assert "differs" not in same.stderr


def test_an_edited_file_changes_no_old_run_and_is_told(recorded: Path, tmp_path: Path) -> None:
    before = undertray("reduce", recorded, "--json")
    car = edited(tmp_path, ("mass = 2.9 ", "mass = 3.9 "), ("x = 215\ny = -50", "x = 205\ny = -50"))
    after = undertray("reduce", recorded, "--car", car, "--json")
    assert needed(after) == needed(before)
    assert "mass" in after.stderr
    assert "rear-left" in after.stderr
    assert "wheelbase" not in after.stderr
    asked = undertray("reduce", recorded, "--car", car, "--car-from", "file", "--json")
    # derived: everything the need is of goes with the mass
    assert needed(asked) == pytest.approx(needed(before) * 3.9 / 2.9, rel=1e-6)
    assert "mass" in asked.stderr


def test_the_same_car_written_in_other_units_is_the_same(recorded: Path, tmp_path: Path) -> None:
    car = edited(
        tmp_path, ("mass = 2.9 ", 'mass = "2900 g" '), ("wheelbase = 262 ", 'wheelbase = "26.2 cm" ')
    )
    done = undertray("reduce", recorded, "--car", car)
    assert done.returncode == 0
    assert "differs" not in done.stderr


def test_a_log_without_its_car_is_read_with_the_file_as_before(recorded: Path, tmp_path: Path) -> None:
    log = put(tmp_path, recorded, None)
    light = needed(undertray("reduce", log, "--car", LOGS / "car.toml", "--json"))
    heavy = undertray("reduce", log, "--car", edited(tmp_path, ("mass = 2.9 ", "mass = 5.8 ")), "--json")
    assert needed(heavy) == pytest.approx(2 * light, rel=1e-6)
    bare = undertray("reduce", log, "--car", "none")
    assert (bare.returncode, bare.stdout) == (1, "")
    assert "--car" in bare.stderr
    assert len(bare.stderr.splitlines()) == 1


@pytest.mark.parametrize(
    "note",
    thinned(
        4,
        [
            "#car {",
            "#car []",
            "#car null",
            '#car {"format": 1}',
            '#car {"format": 1, "name": "x", "mass": -1}',
            "#car " + "[" * 3000,
            '#car {"format": 2}',
            '#car {"format": 1, "mass": ' + "9" * 5000 + "}",
            '#car {"format": 1, "mass": 1e999}',
            '#car {"\\ud800": "\\u001b[2J"}',
            "#car " + json.dumps({"format": 1, "name": "\x1b[2J\n"}),
            '#car {"name": "' + "x" * 70_000 + '"}',
        ],
    ),
)
def test_a_broken_car_in_the_log_is_told_and_the_file_is_used(
    recorded: Path, tmp_path: Path, note: str
) -> None:
    log = put(tmp_path, recorded, note)
    done = undertray("reduce", log, "--car", LOGS / "car.toml", "--json")
    assert done.returncode == 0, done.stderr
    assert "car in the log" in " ".join(done.stderr.split())
    assert "\x1b" not in done.stderr
    assert needed(done) == needed(
        undertray("reduce", LOGS / "clean-hold.csv", "--car", LOGS / "car.toml", "--json")
    )
    alone = undertray("reduce", log, "--json")
    assert (alone.returncode, alone.stdout, len(alone.stderr.splitlines())) == (1, "", 1)
    assert "#car" in alone.stderr or "car in the log" in alone.stderr


def test_every_command_uses_the_car_in_the_log(recorded: Path, tmp_path: Path) -> None:
    heavy_log = put(tmp_path, recorded, "#car " + json.dumps(own_car(recorded) | {"mass": 2.5}))
    car = edited(tmp_path, ("mass = 2.9 ", "mass = 9.9 "))
    page = tmp_path / "page.html"
    report = undertray("report", heavy_log, "--car", car, "--out", page)
    assert report.returncode == 0, report.stderr
    assert "mass 9.9 kg" in " ".join(report.stderr.split())
    assert "mass 9.9 kg" in page.read_text(encoding="utf-8")
    listed = undertray("sessions", tmp_path, "--car", car, "--json", "--no-cache")
    assert listed.returncode == 0, listed.stderr
    (one,) = json.loads(listed.stdout)
    assert one["verdict"].startswith("held")  # with 9.9 kg it never did
    assert "mass" in listed.stderr
    cached = [undertray("sessions", tmp_path, "--car", car) for _ in range(2)]
    assert "mass" in cached[0].stderr
    assert cached[1].stderr == cached[0].stderr
    other = tmp_path / "other.csv"
    other.write_bytes((LOGS / "front-fold.csv").read_bytes())
    assert undertray("annotate", heavy_log, "skirt=lip seal").returncode == 0
    compared = undertray("compare", heavy_log, other, "--car", LOGS / "car.toml", "--json")
    assert compared.returncode == 0, compared.stderr
    assert "mass" in compared.stderr


def test_mass_is_a_fact_of_a_run(recorded: Path, tmp_path: Path) -> None:
    log = tmp_path / "heavy.csv"
    done = undertray(
        *("record", "--port", recorded.parent / "capture.txt", "--out", log),
        *("--car", LOGS / "car.toml", "--mass", "3.25kg", "--mounting", "2"),
    )
    assert done.returncode == 0, done.stderr
    run = json.loads(log.read_text(encoding="utf-8").splitlines()[1].removeprefix("#run "))
    assert (run["mounting"], own_car(log)["mass"]) == ("2", 2.9)
    reduced = undertray("reduce", log, "--json")
    own = needed(undertray("reduce", recorded, "--json"))
    assert needed(reduced) == pytest.approx(own * 3.25 / 2.9, rel=1e-6)
    assert "3.25 kg" in reduced.stderr
    wrong = undertray(
        *("record", "--port", recorded.parent / "capture.txt", "--out", tmp_path / "x.csv", "--mass", "heavy")
    )
    assert wrong.returncode == 2
    assert not (tmp_path / "x.csv").exists()


@pytest.mark.parametrize("mass", thinned(3, [-1, "heavy", [1], {"a": 1}, 1e300, "1e9 kg", True, "\x1b[2J"]))
def test_a_mass_that_is_none_is_told_and_not_used(recorded: Path, tmp_path: Path, mass: object) -> None:
    lines = recorded.read_text(encoding="utf-8").split("\n")
    facts = json.loads(lines[1].removeprefix("#run "))
    lines[1] = "#run " + json.dumps(facts | {"mass": mass})
    (tmp_path / "run.csv").write_text("\n".join(lines), encoding="utf-8")
    done = undertray("reduce", tmp_path / "run.csv", "--json")
    assert needed(done) == needed(undertray("reduce", recorded, "--json"))
    assert "mass" in done.stderr
    assert "\x1b" not in done.stderr
