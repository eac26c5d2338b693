"""A log given twice, or copied, is one run: in compare, in sessions, however it is called or annotated."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import pytest

from fakes.cells import thinned
from fakes.program import undertray

LOGS = Path(__file__).parents[2] / "demo_logs"
WITH = ("--car", LOGS / "car.toml")


def compared(*logs: Path) -> tuple[dict[str, list[str]], str]:
    done = undertray("compare", *logs, *WITH, "--json")
    assert done.returncode == 0, done.stderr
    found: dict[str, Any] = json.loads(done.stdout)
    return {group["value"]: group["runs"] for group in found["groups"]}, " ".join(done.stderr.split())


def lines(log: bytes) -> list[bytes]:
    return log.split(b"\n")


def no_end(log: bytes) -> bytes:
    return log[: log.rindex(b"#end")]


def other_facts(log: bytes) -> bytes:
    return log.replace(b"brush strip, 0.5 mm gap", b"closed-cell foam, 0.3 mm gap")


def other_times(log: bytes) -> bytes:
    """Host times 7 s later: as another computer that listened to the same board would have it."""
    out = []
    for line in lines(log):
        host_us, _, rest = line.partition(b",")
        out.append(b"%d,%s" % (int(host_us) + 7_000_000, rest) if host_us.isdigit() else line)
    return b"\n".join(out)


@pytest.mark.parametrize(
    "change",
    thinned(
        3,
        [
            lambda log: log,
            lambda log: log.replace(b"\n", b"\r\n"),
            no_end,
            other_facts,
            other_times,
            lambda log: b"\n".join(lines(log)[: len(lines(log)) // 2]) + b"\n",
            lambda log: b"\n".join(lines(log)[:5] + lines(log)[len(lines(log)) // 3 :]),
        ],
    ),
    ids=["same", "line ends", "no end", "other facts", "other host", "first half", "last part"],
)
def test_a_copy_counts_once_and_that_is_said(tmp_path: Path, change: Any) -> None:
    copy = tmp_path / "copy.csv"
    copy.write_bytes(change((LOGS / "front-fold.csv").read_bytes()))
    once, _ = compared(LOGS / "clean-hold.csv", LOGS / "front-fold.csv")
    groups, said = compared(LOGS / "clean-hold.csv", LOGS / "front-fold.csv", copy)
    assert groups == once
    assert "copy.csv" in said
    assert "same run" in said
    (tmp_path / "other.csv").write_bytes((LOGS / "slow-leak.csv").read_bytes())
    (tmp_path / "original.csv").write_bytes((LOGS / "front-fold.csv").read_bytes())
    for _ in range(2):  # the second time from what is remembered
        done = undertray("sessions", tmp_path, *WITH, "--json")
        listed = {one["file"]: one["copies"] for one in json.loads(done.stdout)}
        assert listed in (
            {"original.csv": ["copy.csv"], "other.csv": []},
            {"copy.csv": ["original.csv"], "other.csv": []},
        )
        assert "same run" in done.stderr


def test_the_same_file_twice_counts_once(tmp_path: Path) -> None:
    groups, said = compared(LOGS / "clean-hold.csv", LOGS / "front-fold.csv", LOGS / "front-fold.csv")
    assert sorted(len(runs) for runs in groups.values()) == [1, 1]
    assert "more than once" in said
    done = undertray("compare", LOGS / "front-fold.csv", LOGS / "front-fold.csv", *WITH)
    assert (done.returncode, done.stdout) == (1, "")
    assert "nothing to compare" in done.stderr


def test_a_longer_copy_stands_for_its_run(tmp_path: Path) -> None:
    """What the car did in the part that a backup lacks must not be lost with the rest."""
    log = (LOGS / "front-fold.csv").read_bytes()
    (tmp_path / "a-backup.csv").write_bytes(b"\n".join(lines(log)[:1500]) + b"\n")
    (tmp_path / "whole.csv").write_bytes(log)
    done = undertray("sessions", tmp_path, *WITH, "--json")
    (one,) = json.loads(done.stdout)
    assert (one["file"], one["verdict"]) == ("whole.csv", "let go")


def test_runs_that_only_begin_alike_are_two(tmp_path: Path) -> None:
    """The demo's runs come from one board, one after the other; their rests before the start are alike."""
    everything = sorted(LOGS.glob("*-*.csv"))
    groups, said = compared(*everything)
    assert sum(map(len, groups.values())) == len(everything)
    assert "same run" not in said


def test_a_run_given_twice_is_taken_once_into_a_reference(tmp_path: Path) -> None:
    run, copy = LOGS / "clean-hold.csv", tmp_path / "copy.csv"
    copy.write_bytes(other_times(run.read_bytes()))
    written = []
    for name, logs in (("one", [run]), ("two", [run, copy, run])):
        out = tmp_path / f"{name}.json"
        done = undertray("reference", *logs, *WITH, "--out", out)
        assert done.returncode == 0, done.stderr
        written.append((out.read_bytes(), done.stdout, " ".join(done.stderr.split())))
    (one, table, _), (two, same_table, said) = written
    assert two == one
    assert same_table == table
    assert said.count("holds the same run as") == 2
