"""The live view on a terminal, and the loop that shows while another thread records."""

from __future__ import annotations

import io
import threading
from dataclasses import replace
from pathlib import Path

import pytest
from rich.console import Console

from fakes.board import ScriptedBoard
from fakes.link import Clock, ScriptedLink
from undertray.acquire.recorder import Recorder
from undertray.acquire.recording import Recording
from undertray.acquire.runlog import read_run
from undertray.errors import LinkError
from undertray.live.monitor import Monitor, watch
from undertray.live.snapshot import AxleNow, Snapshot, TapNow
from undertray.live.terminal import PlainView, ScreenView, View, _short, screen

FULL = Snapshot(
    elapsed_s=125.4,
    rows_per_s=200,
    rows=25_080,
    lost=3,
    link="ok",
    taps=tuple(TapNow(f"front-{i}", 600.0 + i, "") for i in range(4)),
    axles=(AxleNow("front", 16.0, 14.5, 1.5), AxleNow("rear", 13.2, 15.5, -2.3)),
    suction_pa=612,
    downforce_n=29.2,
    required_n=30.0,
    throttle_us=1600,
    seal_index=0.93,
)


def drawn(snapshot: Snapshot) -> list[str]:
    return screen(snapshot).plain.splitlines()


def test_one_screen_says_it_all() -> None:
    text = "\n".join(drawn(FULL))
    for wanted in ("02:05.4", "200 rows/s", "lost 3", "link ok", "disk ok", "no alarm"):
        assert wanted in text
    for wanted in ("margin of the rear axle, N: DOES NOT HOLD", "+1.5 N", "-2.3 N", "16.0 of 14.5"):
        assert wanted in text
    for wanted in ("downforce 29.2 N of 30.0 N", "612 Pa", "throttle 1600 us", "seal index 0.93", "front-3"):
        assert wanted in text


def test_fans_at_rest_are_asked_for_nothing() -> None:
    resting = "\n".join(drawn(replace(FULL, throttle_us=1000)))
    assert "margin of the rear axle, N: fans at rest" in resting
    assert "DOES NOT HOLD" not in resting
    assert replace(FULL, throttle_us=None).holding == "DOES NOT HOLD"


@pytest.mark.parametrize(
    "snapshot",
    [
        Snapshot(),
        FULL,
        replace(
            FULL, alarm="SEAL LOST at front-1, DOES NOT HOLD, BOARD ALARM", alarms=1, notice="uncalibrated"
        ),
        replace(
            FULL, taps=tuple(TapNow("x" * 200, -1e9, "out of range") for _ in range(16)), notice="y" * 900
        ),
        replace(FULL, axles=(AxleNow("front", 1e12, 0.0, 1e12), AxleNow("rear", -1e12, 5.0, -1e12))),
        replace(FULL, elapsed_s=1e7, rows=10**12, lost=10**12, link="LOST: " + "z" * 300, disk="w" * 300),
    ],
)
def test_it_fits_80_by_24(snapshot: Snapshot) -> None:
    lines = drawn(snapshot)
    assert len(lines) <= 23
    assert max(map(len, lines)) <= 80


def test_the_big_figure_can_be_read_from_two_metres() -> None:
    # common practice, no source: a sign is read to about 1/200 of the distance, here 10 mm at 2 m; a
    # line of a terminal is about 4 mm or more, so five lines make 20 mm
    rows = drawn(FULL)
    start = next(i for i, line in enumerate(rows) if "margin of the" in line) + 1
    assert all("##" in row for row in rows[start : start + 5])


def test_an_alarm_is_a_big_word_beside_the_figure() -> None:
    alarm = replace(FULL, alarm="SEAL LOST at front-1")
    rows = drawn(alarm)
    start = next(i for i, line in enumerate(rows) if "margin of the" in line) + 1
    calm = drawn(FULL)[start : start + 5]
    # A: a bar on top, in the middle, and two legs; behind the figure and at the same height
    words = [row[40:].rstrip() for row in rows[start : start + 5]]
    assert [word[:6] for word in words] == ["######", "##  ##", "######", "##  ##", "##  ##"]
    assert all(row.startswith(figure) for row, figure in zip(rows[start : start + 5], calm, strict=True))
    assert all(not row[40:].strip() for row in calm)


@pytest.mark.parametrize(
    ("margin_n", "signs"), [(-0.04, "+0.0"), (99.94, "+99.9"), (-99.96, "-100"), (1e9, "+9999")]
)
def test_the_big_figure_has_at_most_five_signs(margin_n: float, signs: str) -> None:
    snapshot = replace(FULL, axles=(AxleNow("front", 1.0, 1.0, margin_n),))
    assert _short(margin_n) == signs
    assert all(len(row) <= 40 for row in drawn(snapshot)[5:10])


def test_solid_signs_where_the_terminal_has_them() -> None:
    for encoding, sign in (("utf-8", "\u2588"), ("ascii", "#")):
        out = io.TextIOWrapper(io.BytesIO(), encoding=encoding)
        view = ScreenView(Console(file=out, force_terminal=True, width=80, height=24))
        view.show(FULL)
        view.close()
        out.flush()
        assert 2 * sign in out.buffer.getvalue().decode(encoding)  # type: ignore[attr-defined]


def test_without_colour_there_are_only_letters() -> None:
    out = io.StringIO()
    console = Console(file=out, force_terminal=False, width=80, no_color=True)
    console.print(screen(replace(FULL, alarm="SEAL LOST at front-1")))
    assert "ALARM  SEAL LOST at front-1" in out.getvalue()
    assert "\x1b" not in out.getvalue()


def test_names_of_a_stranger_do_no_harm() -> None:
    evil = "\x1b[2J[red]\x07\r\nrm\u202e"
    snapshot = replace(FULL, taps=(TapNow(evil, 1.0, ""),), alarm=evil, notice=evil, link=evil, disk=evil)
    text = screen(snapshot).plain
    assert all(line.isprintable() for line in text.splitlines())
    assert "[red]" in text  # shown, not obeyed
    said: list[str] = []
    view = PlainView(said.append, clock=lambda: 0.0)
    view.show(snapshot)
    assert said[0].isprintable()


class Seconds:
    def __init__(self) -> None:
        self.now = 0.0

    def __call__(self) -> float:
        return self.now


def test_the_screen_is_drawn_eight_times_a_second_and_an_alarm_at_once() -> None:
    out, clock = io.StringIO(), Seconds()
    view = ScreenView(Console(file=out, force_terminal=True, width=80, height=24), clock)
    view.show(FULL)
    size = len(out.getvalue())
    clock.now = 0.05
    view.show(FULL)
    assert len(out.getvalue()) == size
    view.show(replace(FULL, alarm="SEAL LOST", alarms=1))
    assert "SEAL LOST" in out.getvalue()[size:]
    assert out.getvalue().count("\x07") == 1
    clock.now = 1.0
    view.show(replace(FULL, alarm="SEAL LOST", alarms=1))
    assert out.getvalue().count("\x07") == 1  # rings when it begins, not as long as it lasts
    view.close()


def test_plain_lines_every_five_seconds_and_at_every_alarm() -> None:
    said: list[str] = []
    clock = Seconds()
    view = PlainView(said.append, clock)
    for tenth in range(120):
        clock.now = tenth / 10
        view.show(replace(FULL, alarm="SEAL LOST" if 70 <= tenth < 80 else ""))
    assert [line.rsplit(", ", 1)[1] for line in said] == ["no alarm", "ALARM: SEAL LOST", "alarm over"]
    assert "rear -2.3 N" in said[0]


class Broken:
    """A view that fails, or never comes back in time."""

    def __init__(self, error: Exception | None = None) -> None:
        self.error, self.shown, self.closed = error, 0, False

    def show(self, snapshot: Snapshot) -> None:
        self.shown += 1
        if self.error is not None:
            raise self.error

    def close(self) -> None:
        self.closed = True


def recorded(
    tmp_path: Path, *views: View, rows: int = 2000, seconds: float = 5
) -> tuple[Recorder, Recording]:
    clock, board, monitor = Clock(), ScriptedBoard(2), Monitor()
    clock.us = 1
    script = [(0.1, board.device_line()), *((0.2 + i * 0.005, board.line()) for i in range(rows))]
    recorder = Recorder(
        lambda: ScriptedLink(clock, script),
        tmp_path / "run.csv",
        {},
        seconds=5,
        clock_us=clock,
        sleep=clock.sleep,
        watch=monitor.take,
    )
    tick = threading.Event()

    def pause(seconds: float) -> None:
        tick.wait(0.001)

    return recorder, watch(recorder, monitor, views, lambda: False, pause)


def test_what_is_shown_is_what_is_recorded(tmp_path: Path) -> None:
    view = Broken()
    _, done = recorded(tmp_path, view)
    assert done.rows == 1001
    assert (view.shown > 0, view.closed) == (True, True)


def test_a_terminal_that_went_away_does_not_end_the_recording(tmp_path: Path) -> None:
    gone, other = Broken(BrokenPipeError()), Broken()
    _, done = recorded(tmp_path, gone, other)
    assert done.rows == 1001
    assert gone.shown == 1
    assert other.shown >= 1


def test_a_mistake_in_showing_is_told_after_the_recording(tmp_path: Path) -> None:
    with pytest.raises(ZeroDivisionError):
        recorded(tmp_path, Broken(ZeroDivisionError()))
    run = read_run(tmp_path / "run.csv")
    assert len(run.seq) == 1001
    assert run.end is not None


def test_a_view_that_fails_says_so_and_takes_no_other_with_it(tmp_path: Path) -> None:
    told: list[Snapshot] = []

    class Failing(Broken):
        def show(self, snapshot: Snapshot) -> None:
            told.append(snapshot)
            if snapshot.live and snapshot.rows > 0:
                raise ZeroDivisionError("one row too many")

    other = Broken()
    with pytest.raises(ZeroDivisionError):
        recorded(tmp_path, Failing(), other)
    assert [shown.live for shown in told[-2:]] == [
        True,
        False,
    ]  # and nothing after it
    assert (told[-1].alarm, told[-1].suction_pa, told[-1].taps) == ("LIVE VIEW FAILED", None, ())
    assert "one row too many" in told[-1].notice
    assert other.closed
    assert other.shown >= len(told) - 1


def test_what_ends_the_recording_comes_through(tmp_path: Path) -> None:
    with pytest.raises(LinkError, match="sends no rows"):
        recorded(tmp_path, Broken(), rows=0)


def test_recording_never_waits_for_drawing(tmp_path: Path) -> None:
    """A view that hangs until the recording is complete: a recorder that waited would hang with it."""
    ended = threading.Event()
    path = tmp_path / "run.csv"

    class Hanging:
        def show(self, snapshot: Snapshot) -> None:
            tick = threading.Event()
            for _ in range(2000):
                if path.exists() and b"#end" in path.read_bytes():
                    ended.set()
                    return
                tick.wait(0.005)

        def close(self) -> None:
            pass

    _, done = recorded(tmp_path, Hanging())
    assert ended.is_set()
    assert done.rows == 1001
