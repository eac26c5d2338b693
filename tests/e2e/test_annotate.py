"""Facts put right after the run: every reader sees them, and the log's own text stays as it was."""

from __future__ import annotations

import json
import signal
import subprocess
import sys
import threading
from pathlib import Path
from typing import Any

import pandas as pd
import pytest

from fakes.board import ScriptedBoard
from fakes.cells import some, thinned
from fakes.program import undertray
from fakes.server import Send, tcp_board

LOGS = Path(__file__).parents[2] / "demo_logs"
CAR = ("--car", LOGS / "car.toml")


def good(*arguments: object) -> subprocess.CompletedProcess[str]:
    done = undertray(*arguments)
    assert done.returncode == 0, done.stderr
    return done


def refused(*arguments: object, status: int = 1) -> str:
    done = undertray(*arguments)
    assert (done.returncode, done.stdout) == (status, "")
    if status == 1:
        assert len(done.stderr.splitlines()) == 1
    return done.stderr


@pytest.fixture(autouse=True)
def _looks_soon(monkeypatch: pytest.MonkeyPatch) -> None:
    """A log without an end is looked at for as long as a recorder takes for some rows."""
    monkeypatch.setattr("undertray.acquire.runfacts._GROWS_S", 0.15)


@pytest.fixture
def log(tmp_path: Path) -> Path:
    path = tmp_path / "run.csv"
    path.write_bytes((LOGS / "front-fold.csv").read_bytes())
    return path


def inspected(log: Path) -> dict[str, Any]:
    found = json.loads(good("inspect", log, "--json").stdout)
    assert isinstance(found, dict)
    return found


def summary(log: Path) -> dict[str, Any]:
    """What reduce says, without its sentences."""
    found = json.loads(good("reduce", log, *CAR, "--json").stdout)
    return {key: value for key, value in found.items() if key not in ("notices", "run")}


def test_every_reader_sees_the_fact_that_it_was_corrected_when_and_from_what(log: Path) -> None:
    text, before = log.read_bytes(), summary(log)
    table = pd.read_csv(log, comment="#")
    good("annotate", log, "skirt=lip seal", "mounting=2", "surface=glass")
    assert log.read_bytes().startswith(text)
    assert log.read_bytes().count(b"\n") == text.count(b"\n") + 1
    pd.testing.assert_frame_equal(pd.read_csv(log, comment="#"), table)
    assert summary(log) == before
    found = inspected(log)
    assert (found["facts"]["skirt"], found["facts"]["mounting"]) == ("lip seal", "2")
    assert found["facts"]["notes"]["surface"] == "glass"
    assert found["bad_lines"] == 0
    told = {one["fact"]: one for one in found["corrections"]}
    assert (told["skirt"]["was"], told["skirt"]["value"]) == ("brush strip, 0.5 mm gap", "lip seal")
    assert told["mounting"]["was"] is None
    at_utc = told["skirt"]["at_utc"]
    assert at_utc.endswith("Z")
    for said in (
        good("inspect", log).stdout,
        good("reduce", log, *CAR).stderr,
        good("sessions", log.parent, *CAR, "--no-cache").stderr,
        good("compare", log, LOGS / "clean-hold.csv", *CAR).stdout,
    ):
        words = " ".join(said.split())
        assert "skirt was corrected from 'brush strip, 0.5 mm gap' to 'lip seal'" in words
        assert at_utc[:10] in words
    (one,) = json.loads(good("sessions", log.parent, *CAR, "--json").stdout)
    assert (one["facts"]["skirt"], one["facts"]["mounting"]) == ("lip seal", "2")
    compared = json.loads(good("compare", log, LOGS / "clean-hold.csv", *CAR, "--json").stdout)
    assert {group["value"] for group in compared["groups"]} == {"lip seal", "closed-cell foam, 0.3 mm gap"}


def test_what_is_remembered_of_a_run_follows_its_facts(log: Path) -> None:
    for skirt in ("lip seal", "bristle"):
        good("annotate", log, f"skirt={skirt}")
        (one,) = json.loads(good("sessions", log.parent, *CAR, "--json").stdout)
        assert one["facts"]["skirt"] == skirt


def test_the_last_word_holds_and_a_fact_can_be_taken_out(log: Path) -> None:
    text = log.read_bytes()
    good("annotate", log, "skirt=lip seal")
    once = log.read_bytes()
    good("annotate", log, "skirt=foam", "surface=")
    assert log.read_bytes().startswith(once)
    assert once.startswith(text)
    found = inspected(log)
    assert found["facts"]["skirt"] == "foam"
    assert "surface" not in found["facts"]["notes"]
    assert [one["was"] for one in found["corrections"] if one["fact"] == "skirt"] == [
        "brush strip, 0.5 mm gap",
        "lip seal",
    ]
    size = log.stat().st_size
    assert "already" in good("annotate", log, "skirt=foam").stderr
    assert log.stat().st_size == size


def test_a_copy_keeps_its_annotations_and_is_the_same_run(log: Path) -> None:
    good("annotate", log, "skirt=lip seal")
    copy = log.with_name("a-copy.csv")
    copy.write_bytes(log.read_bytes())
    assert inspected(copy)["corrections"] == inspected(log)["corrections"]
    good("annotate", copy, "skirt=foam")
    done = good("sessions", log.parent, *CAR, "--json", "--no-cache")
    (one,) = json.loads(done.stdout)
    assert one["facts"]["skirt"] in ("foam", "lip seal")
    assert "same run" in done.stderr


def test_mass_and_car_can_be_put_right(log: Path, tmp_path: Path) -> None:
    before = summary(log)["hold"]["required_n"]
    good("annotate", log, "mass=3.48kg")
    # derived: all of the need goes with the mass; 3.48 is 1.2 x 2.9
    assert summary(log)["hold"]["required_n"] == pytest.approx(1.2 * before, rel=1e-9)
    good("annotate", log, "mass=")
    assert summary(log)["hold"]["required_n"] == before
    other = tmp_path / "other.toml"
    text = (LOGS / "car.toml").read_text(encoding="utf-8")
    other.write_text(text.replace("mass = 2.9 ", "mass = 5.8 "), encoding="utf-8")
    good("annotate", log, "--car", other)
    assert summary(log)["hold"]["required_n"] == pytest.approx(2 * before, rel=1e-9)
    assert json.loads(good("reduce", log, "--json").stdout)["hold"]["required_n"] == pytest.approx(2 * before)


@pytest.mark.parametrize(
    "fact",
    [
        *(
            "mass=heavy",
            "mass=-1",
            "mass=3,25kg",
            "skirt",
            "=foam",
            "notes=x",
            "host=x",
            "stored_run=7",
            "#car=x",
        ),
        *("skirt=a\nb", "skirt=\x1b[2J", "x" * 41 + "=y", "skirt=" + "x" * 201, "started_utc=yesterday"),
    ],
)
def test_what_cannot_be_a_fact_is_refused_and_changes_nothing(log: Path, fact: str) -> None:
    text = log.read_bytes()
    done = undertray("annotate", log, fact)
    assert done.returncode in (1, 2)
    assert done.stdout == ""
    assert "\x1b" not in done.stderr
    assert log.read_bytes() == text


def test_what_is_no_log_is_refused(tmp_path: Path) -> None:
    wire = [line.partition(b",")[2] for line in (LOGS / "front-fold.csv").read_bytes().split(b"\n")[4:200]]
    (tmp_path / "capture.csv").write_bytes(b"".join(line + b"\n" for line in wire))
    (tmp_path / "table.csv").write_bytes(b"a,b\n1,2\n")
    for name in ("capture.csv", "table.csv", "missing.csv"):
        before = (tmp_path / name).read_bytes() if (tmp_path / name).exists() else None
        refused("annotate", tmp_path / name, "skirt=x")
        assert ((tmp_path / name).read_bytes() if (tmp_path / name).exists() else None) == before
    refused("annotate", tmp_path / "table.csv", status=2)


def test_a_car_that_json_cannot_hold_is_refused(log: Path, tmp_path: Path) -> None:
    """A key above the taps that every tap overrides is not looked at by whoever reads the car."""
    text = (LOGS / "car.toml").read_text(encoding="utf-8").replace("y = ", "tube_length = 90\ny = ")
    before = log.read_bytes()
    for value in ("2026-05-02", "nan"):
        (tmp_path / "odd.toml").write_text(f"tube_length = {value}\n{text}", encoding="utf-8")
        assert "log" in refused("annotate", log, "--car", tmp_path / "odd.toml")
        assert log.read_bytes() == before


@pytest.mark.parametrize("cut", some([0, 20], [1, 7, 33]))
def test_a_log_that_broke_off_within_a_line_counts_as_before(log: Path, cut: int) -> None:
    """Killed, out of power: no end line, and somewhere in a row the file ends."""
    text = log.read_bytes()
    row = text.index(b"\n", len(text) // 2) + 1
    log.write_bytes(text[: row + cut])
    before = summary(log)
    for skirt in ("lip seal", "foam"):
        good("annotate", log, f"skirt={skirt}")
        assert log.read_bytes().startswith(text[: row + cut])
        assert summary(log) == before
    assert inspected(log)["facts"]["skirt"] == "foam"
    assert inspected(log)["cut_off"] is True


@pytest.mark.parametrize("left", some([1, -1], [5, 11, 30]))
def test_an_interrupted_annotation_destroys_nothing(log: Path, left: int) -> None:
    text, before = log.read_bytes(), summary(log)
    good("annotate", log, "skirt=lip seal")
    added = log.read_bytes()[len(text) :]
    log.write_bytes(text + added[:left])
    assert summary(log) == before
    assert inspected(log)["facts"]["skirt"] in ("brush strip, 0.5 mm gap", "lip seal")
    good("annotate", log, "skirt=foam")
    assert summary(log) == before
    found = inspected(log)
    assert (found["facts"]["skirt"], found["bad_lines"]) == ("foam", 0)


@pytest.mark.skipif(sys.platform == "win32", reason="signals of POSIX")
def test_a_log_that_is_being_recorded_is_refused_and_one_of_a_killed_recorder_is_not(tmp_path: Path) -> None:
    log, board = tmp_path / "run.csv", ScriptedBoard(rate_hz=500)

    def script(send: Send, over: threading.Event) -> None:
        send(board.device_line())
        while not over.wait(10 * board.period_us / 1e6):
            send(b"".join(board.lines(10)))

    with tcp_board(script) as url:
        words = [sys.executable, "-m", "undertray", "record", "--port", url, "--out", str(log), "--quiet"]
        recorder = subprocess.Popen(words)
        tick = threading.Event()
        while not log.exists() or log.read_bytes().count(b"\n") < 100:
            assert recorder.poll() is None
            tick.wait(0.01)
        assert "being recorded" in refused("annotate", log, "skirt=x")
        recorder.send_signal(signal.SIGKILL)
        recorder.wait(20)
    text = log.read_bytes()
    assert b"annotated" not in text
    good("annotate", log, "skirt=x")
    assert inspected(log)["facts"]["skirt"] == "x"
    assert inspected(log)["bad_lines"] == 0


@pytest.mark.skipif(sys.platform == "win32", reason="file size limits of POSIX")
def test_a_disk_that_is_full_leaves_the_log_as_it_was(log: Path) -> None:
    import resource

    text = log.read_bytes()

    def small() -> None:
        signal.signal(signal.SIGXFSZ, signal.SIG_IGN)
        resource.setrlimit(resource.RLIMIT_FSIZE, (len(text) + 20, len(text) + 20))

    words = [sys.executable, "-m", "undertray", "annotate", str(log), "skirt=lip seal"]
    done = subprocess.run(words, capture_output=True, text=True, timeout=60, check=False, preexec_fn=small)
    assert (done.returncode, done.stdout) == (1, "")
    assert len(done.stderr.splitlines()) == 1
    assert log.read_bytes() == text


@pytest.mark.parametrize(
    "line",
    thinned(
        4,
        [
            "#annotated",
            "#annotated {",
            "#annotated []",
            '#annotated {"facts": {"skirt": "x"}}',
            '#annotated {"at_utc": "yesterday", "facts": {"skirt": "x"}}',
            '#annotated {"at_utc": "2026-05-02T10:15:00Z", "facts": {"skirt": ["x"]}}',
            '#annotated {"at_utc": "2026-05-02T10:15:00Z", "facts": {"skirt": "' + "x" * 300 + '"}}',
            '#annotated {"at_utc": "2026-05-02T10:15:00Z", "facts": {"skirt": "\\u001b[2J"}}',
            '#annotated {"at_utc": "2026-05-02T10:15:00Z", "facts": {"stored_run": "7"}}',
            '#annotated {"at_utc": "2026-05-02T10:15:00Z", "facts": 7}',
            '#annotated {"at_utc": "2026-05-02T10:15:00Z", "car": 7}',
            "#annotated " + "[" * 5000,
        ],
    ),
)
def test_a_strangers_annotation_that_does_not_hold_is_told_and_left_out(log: Path, line: str) -> None:
    before = summary(log)
    log.write_bytes(log.read_bytes() + line.encode() + b"\n")
    assert summary(log) == before
    found = inspected(log)
    assert found["facts"]["skirt"] == "brush strip, 0.5 mm gap"
    assert (found["corrections"], found["torn_annotations"]) == ([], 1)
    done = good("reduce", log, *CAR)
    assert "corrections that cannot be read" in " ".join(done.stderr.split())
    assert "\x1b" not in done.stderr + done.stdout


def test_a_flood_of_annotations_is_bounded(log: Path) -> None:
    one = '#annotated {"at_utc": "2026-05-02T10:15:00Z", "facts": {"f%d": "x", "skirt": "%d"}}\n'
    log.write_bytes(log.read_bytes() + "".join(one % (i, i) for i in range(5000)).encode())
    done = good("reduce", log, *CAR)
    assert len(done.stderr) < 10_000
    listed = good("sessions", log.parent, *CAR)
    assert len(listed.stderr) < 10_000
    assert len(good("inspect", log).stdout) < 300_000
