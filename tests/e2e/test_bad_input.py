"""What a stranger may hand in: one clear line and status 1, or a count in the result; never a trace."""

from __future__ import annotations

import json
import socket
import subprocess
import threading
from pathlib import Path

import pytest

from fakes.program import undertray

LOGS = Path(__file__).parents[2] / "demo_logs"
LOG = (LOGS / "front-fold.csv").read_bytes()
CAR = (LOGS / "car.toml").read_text(encoding="utf-8")


def _reduce(tmp_path: Path, log: bytes, car: str = CAR) -> subprocess.CompletedProcess[str]:
    (tmp_path / "run.csv").write_bytes(log)
    (tmp_path / "car.toml").write_text(car, encoding="utf-8")
    return undertray("reduce", tmp_path / "run.csv", "--car", tmp_path / "car.toml", "--json")


def _one_line(done: subprocess.CompletedProcess[str], *words: str) -> None:
    assert done.returncode == 1
    assert done.stdout == ""
    assert len(done.stderr.splitlines()) == 1, done.stderr
    for word in words:
        assert word in done.stderr


def _row(number: int) -> bytes:
    """One good row of the log, from its middle."""
    return [line for line in LOG.split(b"\n") if line[:1].isdigit()][number]


@pytest.mark.parametrize(
    "spoil",
    [
        lambda row: row[:-1] + (b"0" if row[-1:] != b"0" else b"1"),  # wrong check
        lambda row: b",".join(row.split(b",")[:-2] + row.split(b",")[-1:]),  # a field missing
        lambda row: row.replace(b",", b";"),  # no row at all
        lambda row: row[: len(row) // 2],  # cut in the middle
    ],
    ids=["wrong check", "missing field", "no row", "cut"],
)
def test_a_bad_row_is_left_out_counted_and_said(tmp_path: Path, spoil: object) -> None:
    row = _row(1000)
    done = _reduce(tmp_path, LOG.replace(row, spoil(row)))  # type: ignore[operator]
    assert done.returncode == 0, done.stderr
    summary = json.loads(done.stdout)
    assert summary["bad_lines"] == 1
    assert summary["lost_rows"] == 1
    assert summary["rows"] == 3188
    assert "1 bad" in done.stderr


def test_a_log_cut_in_the_middle_of_a_line_is_read_to_its_last_whole_one(tmp_path: Path) -> None:
    row = _row(2000)
    done = _reduce(tmp_path, LOG[: LOG.index(row) + len(row) // 2])
    assert done.returncode == 0, done.stderr
    assert json.loads(done.stdout)["rows"] == 2000
    assert "cut off" in done.stderr


@pytest.mark.parametrize(
    ("old", "new", "words"),
    [
        ("[295, -85], [295, 85]", "[295, 85], [295, -85]", ("floor", "crosses")),
        ("x = 215\ny = -50", "x = 2150\ny = -50", ("rear-left", "floor")),
        ('column = "p4"', 'column = "p3"', ("p3",)),
        ("mass = 2.9 ", 'mass = "heavy" ', ("mass", "heavy")),
        ("wheelbase = 262", "whelbase = 262", ("whelbase",)),
        ("format = 1", "format = 2", ("format", "2")),
        ("[[tap]]", "[[tap]", ("TOML",)),
    ],
    ids=["crossed", "off the floor", "column twice", "no number", "typo", "newer", "syntax"],
)
def test_an_impossible_car_is_refused_in_one_line(
    tmp_path: Path, old: str, new: str, words: tuple[str, ...]
) -> None:
    assert old in CAR
    _one_line(_reduce(tmp_path, LOG, CAR.replace(old, new, 1)), "car.toml", *words)


def test_a_newer_log_and_a_file_that_is_no_log_are_refused(tmp_path: Path) -> None:
    _one_line(_reduce(tmp_path, LOG.replace(b"#undertray-run 1", b"#undertray-run 2")), "run.csv", "2")
    _one_line(_reduce(tmp_path, b"\x89PNG\r\n\x1a\n" + bytes(range(256)) * 20), "run.csv")
    _one_line(_reduce(tmp_path, b""), "run.csv")


def test_no_port_is_one_line(tmp_path: Path) -> None:
    for port in ("/dev/no-such-port", "socket://127.0.0.1:1", "nonsense://x"):
        _one_line(undertray("record", "--port", port, "--out", tmp_path / "run.csv", "--seconds", "1"), port)
        assert not (tmp_path / "run.csv").exists()


def test_a_port_that_vanishes_ends_the_log_and_says_so(tmp_path: Path) -> None:
    lines = [line.split(b",", 1)[1] for line in LOG.split(b"\n") if line[:1].isdigit()][:400]
    with socket.create_server(("127.0.0.1", 0)) as server:

        def vanish() -> None:
            connection, _ = server.accept()
            server.close()
            connection.sendall(b"".join(line + b"\n" for line in lines))
            connection.close()

        thread = threading.Thread(target=vanish)
        thread.start()
        port = f"socket://127.0.0.1:{server.getsockname()[1]}"
        log = tmp_path / "run.csv"
        done = undertray("record", "--port", port, "--out", log, "--wait", "0", "--quiet")
        thread.join()
    _one_line(done, port)
    text = log.read_text(encoding="utf-8")
    assert sum(line[:1].isdigit() for line in text.splitlines()) == 400
    assert '"why": "port vanished"' in text.splitlines()[-1]
