"""``undertray sweep`` on the firmware itself, over a serial line: fans stop in every doubt."""

from __future__ import annotations

import json
import signal
import subprocess
import sys
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path

import pytest

from fakes.cells import some
from fakes.terminal import Terminal
from fakes.wire import Wire, wired_board
from firmware.runs import board
from undertray import read_run
from undertray.virtual.stories import load_story

pytestmark = pytest.mark.skipif(sys.platform == "win32", reason="needs pseudo-terminals")

LOGS = Path(__file__).parents[2] / "demo_logs"
UNDERTRAY = [sys.executable, "-m", "undertray"]
IDLE_US, DRIVEN = 1000, 4


@contextmanager
def _bench(
    folder: Path, *, up: Callable[[bytes], bytes] = lambda line: line, direction: str = "output"
) -> Iterator[Wire]:
    given = board(rate_hz=100)
    given["throttle"].update(direction=direction, throttle_max_us=1600)
    path = folder / "board.json"
    path.write_text(json.dumps(given), encoding="utf-8")
    # the car of a story, on the bench: nobody but the board moves its throttle
    story = {**load_story("clean-hold"), "throttle": [[0.0, IDLE_US]], "happenings": []}
    with wired_board(story, path, up) as wire:
        wire.until(wire.rows)
        yield wire


def _sweep(wire: Wire, folder: Path, *more: str, word: str = "SPIN", behind: Sequence[str] = ()) -> Terminal:
    """Start it on a terminal, behind a shell if given; read the caution, type the word."""
    command = [*UNDERTRAY, "sweep", "--port", wire.port, "--out", str(folder / "sweep.csv"), "--to", "1500"]
    steps = more or ("--steps", "5", "--dwell", "20")
    terminal = Terminal([*behind, *command, *steps], own_session=bool(behind))
    seen = terminal.until("to arm")
    for words in (b"Fans will spin", b"eye and ear protection", b"lithium", b"1500 \xc2\xb5s, "):
        assert words in b" ".join(seen.split())
    assert not wire.replies("arm")
    terminal.type(word + "\n")
    return terminal


def _ended(terminal: Terminal) -> tuple[int, str]:
    seen = terminal.until(None).decode()
    status = terminal.process.wait(20)
    terminal.close()
    return status, " ".join(seen.split())


def _driven(wire: Wire) -> list[tuple[int, int]]:
    """Board time in us and width of every row in which the fans were driven above idle."""
    return [
        (row.t_us, row.throttle_us)
        for row in wire.rows()
        if row.flags & DRIVEN and row.throttle_us is not None and row.throttle_us > IDLE_US
    ]


def _turn(wire: Wire) -> None:
    wire.until(lambda: _driven(wire))


def _last_us(wire: Wire) -> int:
    return wire.rows()[-1].t_us


@pytest.mark.slow
def test_a_sweep_gives_a_log_that_reference_takes(tmp_path: Path) -> None:
    with _bench(tmp_path) as wire:
        terminal = _sweep(wire, tmp_path, "--from", "1200", "--steps", "4", "--dwell", "3.5", "--car", "a")
        status, said = _ended(terminal)
        assert status == 0, said
        assert wire.replies("sweep")[-1]["why"] == "done"
        # the rows ran before, so they run again
        before = len(wire.rows())
        wire.until(lambda: len(wire.rows()) > before + 50)
    run = read_run(tmp_path / "sweep.csv")
    assert run.facts["sweep"] == {"from_us": 1200, "to_us": 1500, "steps": 4, "dwell_s": 3.5}
    assert run.end is not None
    widths = run.throttle_us[run.flags & DRIVEN > 0]
    assert sorted({int(width) for width in widths}) == [IDLE_US, 1200, 1300, 1400, 1500]
    assert run.throttle_us[-1] != run.throttle_us[-1] or run.throttle_us[-1] == IDLE_US
    command = ["reference", str(tmp_path / "sweep.csv"), "--car", str(LOGS / "car.toml")]
    done = subprocess.run(
        [*UNDERTRAY, *command, "--out", str(tmp_path / "reference.json")],
        capture_output=True,
        text=True,
        check=False,
    )
    assert done.returncode == 0, done.stderr
    assert "at 4 throttles" in done.stdout


@pytest.mark.parametrize("word", some(["spin", "SPIN now"], ["", "yes"]))
def test_nothing_moves_without_the_word(tmp_path: Path, word: str) -> None:
    with _bench(tmp_path) as wire:
        status, said = _ended(_sweep(wire, tmp_path, word=word))
        assert (status, "nothing moved" in said) == (1, True), said
        assert wire.replies("arm") == []
    assert not (tmp_path / "sweep.csv").exists()


def test_refused_before_anything_moves(tmp_path: Path) -> None:
    with _bench(tmp_path, direction="input") as wire:
        command = [*UNDERTRAY, "sweep", "--port", wire.port, "--out", str(tmp_path / "a.csv")]
        terminal = Terminal([*command, "--to", "1500"])
        status, said = _ended(terminal)
        assert (status, "the throttle pin is an input" in said) == (1, True), said
    with _bench(tmp_path) as wire:
        command = [*UNDERTRAY, "sweep", "--port", wire.port, "--out", str(tmp_path / "a.csv")]
        status, said = _ended(Terminal([*command, "--to", "1601"]))
        assert (status, "got '1601 µs', expected 1000 to 1600 µs" in said) == (1, True), said
        piped = subprocess.run(
            [*command, "--to", "1500"], input="SPIN\n", capture_output=True, text=True, check=False
        )
        assert (piped.returncode, "a terminal is needed" in piped.stderr) == (2, True)
        assert wire.replies("arm") == []
        assert _driven(wire) == []


def test_any_key_stops_the_fans_at_once(tmp_path: Path) -> None:
    with _bench(tmp_path) as wire:
        terminal = _sweep(wire, tmp_path)
        _turn(wire)
        terminal.type("x")
        status, said = _ended(terminal)
        assert (status, "the sweep was stopped" in said) == (1, True), said
        assert wire.replies("stop")[-1]["ok"] is True
        wire.until(lambda: not wire.rows()[-1].throttle_us)
    assert read_run(tmp_path / "sweep.csv").end is not None


def test_a_terminal_that_goes_stops_the_fans_at_once(tmp_path: Path) -> None:
    with _bench(tmp_path) as wire:
        terminal = _sweep(wire, tmp_path)
        _turn(wire)
        gone_us = _last_us(wire)
        terminal.hang_up()  # no signal comes: it is not the terminal of the session
        wire.until(lambda: wire.replies("stop")[1:])  # the first came before it was armed
        wire.until(lambda: not wire.rows()[-1].throttle_us)
        # rows that were on their way are half a second at most; a tick is 50 ms, the board's own limit 1 s
        assert _driven(wire)[-1][0] <= gone_us + 700_000
        assert wire.replies("sweep")[-1].get("why") != "no word from the host for 1 s"
        assert terminal.process.wait(20) == 1
    assert read_run(tmp_path / "sweep.csv").end is not None


def test_fans_stop_when_no_key_would_reach_the_sweep_any_more(tmp_path: Path) -> None:
    # a shell of one job: it has the sweep in front, and takes the terminal back when it is told to
    shell = """
import fcntl, os, signal, subprocess, sys, termios
fcntl.ioctl(0, termios.TIOCSCTTY, 0)
signal.signal(signal.SIGTTOU, signal.SIG_IGN)

def in_front():
    os.setpgid(0, 0)
    os.tcsetpgrp(0, os.getpgid(0))
    signal.signal(signal.SIGTTOU, signal.SIG_DFL)

job = subprocess.Popen(sys.argv[1:], preexec_fn=in_front)
signal.signal(signal.SIGUSR1, lambda *_: os.tcsetpgrp(0, os.getpgrp()))
sys.exit(job.wait())
"""
    with _bench(tmp_path) as wire:
        terminal = _sweep(wire, tmp_path, behind=[sys.executable, "-c", shell])
        _turn(wire)
        terminal.process.send_signal(signal.SIGUSR1)
        status, said = _ended(terminal)
        assert (status, "the sweep was stopped" in said) == (1, True), said
        assert wire.replies("stop")[-1]["ok"] is True
        wire.until(lambda: not wire.rows()[-1].throttle_us)


def test_a_killed_host_stops_the_fans_within_a_second(tmp_path: Path) -> None:
    with _bench(tmp_path) as wire:
        terminal = _sweep(wire, tmp_path)
        _turn(wire)
        wire.until(lambda: sum(line.startswith(b"beat") for line in wire.heard) >= 2)
        killed_us = _last_us(wire)
        terminal.process.send_signal(signal.SIGKILL)
        wire.until(lambda: wire.replies("sweep")[-1].get("why"))
        terminal.close()
        assert wire.replies("sweep")[-1]["why"] == "no word from the host for 1 s"
        wire.until(lambda: not wire.rows()[-1].throttle_us)
        # the last beat came before the kill; rows that were on their way then are half a second at most
        assert _driven(wire)[-1][0] <= killed_us + 1_500_000


def test_a_pulled_cable_stops_the_fans_within_a_second(tmp_path: Path) -> None:
    with _bench(tmp_path) as wire:
        terminal = _sweep(wire, tmp_path)
        _turn(wire)
        pulled_us = _last_us(wire)
        wire.pull()
        status, said = _ended(terminal)
        assert (status, "the port vanished" in said) == (1, True), said
        wire.until(lambda: not wire.rows()[-1].throttle_us)
        assert _driven(wire)[-1][0] <= pulled_us + 1_500_000
        assert wire.replies("sweep")[-1]["why"] == "no word from the host for 1 s"
    assert read_run(tmp_path / "sweep.csv").end is not None


def _flip(line: bytes, at: int) -> bytes:
    return line[:at] + bytes([line[at] ^ 4]) + line[at + 1 :]


@pytest.mark.slow
def test_a_bit_flipped_in_the_sweep_moves_nothing(tmp_path: Path) -> None:
    # '5' becomes '1', and '1' becomes '5': another throttle, and within the limits
    for at in (len("sweep 1"), len("sweep 1100 1"), len("sweep 1100 1500 5 2000")):

        def noise(line: bytes, at: int = at) -> bytes:
            return _flip(line, at) if line.startswith(b"sweep") else line

        folder = tmp_path / str(at)
        folder.mkdir()
        with _bench(folder, up=noise) as wire:
            status, said = _ended(_sweep(wire, folder))
            assert (status, "no good check" in said) == (1, True), said
            assert _driven(wire) == []


@pytest.mark.slow
def test_damaged_beats_are_made_good_by_the_next_and_cannot_replace_it(tmp_path: Path) -> None:
    count = [0]

    def every_second(line: bytes) -> bytes:
        count[0] += line.startswith(b"beat")
        return _flip(line, 6) if line.startswith(b"beat") and count[0] % 2 else line

    with _bench(tmp_path, up=every_second) as wire:
        status, said = _ended(_sweep(wire, tmp_path, "--steps", "3", "--dwell", "1"))
        assert status == 0, said
        assert {reply["ok"] for reply in wire.replies("beat")} == {True, False}

    def all_of_them(line: bytes) -> bytes:
        return _flip(line, 6) if line.startswith(b"beat") else line

    folder = tmp_path / "all"
    folder.mkdir()
    with _bench(folder, up=all_of_them) as wire:
        status, said = _ended(_sweep(wire, folder))
        assert (status, "no word from the host for 1 s" in said) == (1, True), said
        driven = _driven(wire)
        assert driven[-1][0] - driven[0][0] <= 1_100_000
