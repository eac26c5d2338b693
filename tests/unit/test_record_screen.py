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
from undertray.acquire.recorder import Recorder, Recording
from undertray.acquire.runlog import read_run
from undertray.errors import LinkError
from undertray.live.monitor import Monitor, watch
from undertray.live.snapshot import AlarmSeen, AxleNow, Snapshot, TapNow, five_signs
from undertray.live.terminal import PlainView, ScreenView, View, screen
from undertray.report.display import US

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


PLACED = replace(
    FULL,
    taps=(
        TapNow("rear-right", 601.0, "", 215.0, 50.0),
        TapNow("front-left", 602.0, "", 40.0, -50.0),
        TapNow("front-right", 603.0, "", 41.0, 50.0),
        TapNow("rear-left", 604.0, "out of range", 214.0, -50.0),
    ),
)


def drawn(snapshot: Snapshot) -> list[str]:
    return screen(snapshot).plain.splitlines()


def test_one_screen_says_it_all() -> None:
    text = "\n".join(drawn(FULL))
    for wanted in ("02:05.4", "200 rows/s", "lost 3", "link ok", "disk ok", "no alarm"):
        assert wanted in text
    for wanted in ("margin of the rear axle, N: DOES NOT HOLD", "+1.5 N", "-2.3 N", "16.0 N of 14.5 N"):
        assert wanted in text
    for wanted in ("downforce 29.2 N of 30.0 N", "612 Pa", "throttle 1600 µs", "seal index 0.93", "front-3"):
        assert wanted in text


def test_fans_at_rest_are_asked_for_nothing() -> None:
    resting = "\n".join(drawn(replace(FULL, throttle_us=1000)))
    assert resting.splitlines()[4] == "fans at rest"
    # REST stands where the great margin stood: its first row is that of R, E, S and T, two columns a dot
    assert resting.splitlines()[5].split() == ["####", "######", "######", "######"]
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
@pytest.mark.parametrize("size", [(80, 23), (100, 29), (140, 49), (24, 8)])
def test_it_fits_terminals_of_any_size(snapshot: Snapshot, size: tuple[int, int]) -> None:
    for shown in (snapshot, snapshot.dead(notice="y" * 900)):
        lines = screen(shown, size=size).plain.splitlines()
        assert len(lines) <= size[1]
        assert max(map(len, lines)) <= size[0]
        assert any("ALARM" in line or "no alarm" in line or "OVER" in line for line in lines)


@pytest.mark.parametrize(("size", "times"), [((80, 23), 1), ((100, 29), 2), ((140, 49), 3)])
def test_the_figure_grows_with_the_terminal(size: tuple[int, int], times: int) -> None:
    lines = screen(FULL, size=size).plain.splitlines()
    start = next(i for i, line in enumerate(lines) if "margin of the" in line) + 1
    figure = [line for line in lines[start : start + 25] if set(line) <= {"#", " "} and line.strip()]
    assert len(figure) == 5 * times
    assert max(map(len, figure)) <= 38 * times
    assert any(
        "front" in line and line.startswith("+--") for line in screen(PLACED, size=size).plain.splitlines()
    )


def test_a_figure_that_gains_a_digit_moves_nothing() -> None:
    def signs(pa: float) -> list[str]:
        shown = screen(replace(FULL, axles=(), suction_pa=pa)).plain.splitlines()
        start = shown.index("mean suction, Pa") + 1
        return [f"{line:38}" for line in shown[start : start + 5]]

    # the last three signs of 1000 stand where those of 999 stood: 8 columns a sign
    below, above = signs(999.0), signs(1000.0)
    assert all(line[:16].strip() == "" for line in below)
    assert above[0][8:14].strip()
    nine, nought = below[2][16:22], above[2][16:22]
    assert (nine, nought) == ("######", "##  ##")


def test_taps_stand_where_they_are_under_the_floor() -> None:
    lines = screen(PLACED).plain.splitlines()
    top = next(i for i, line in enumerate(lines) if line.startswith("+-") and "front" in line)
    assert [line[2:12].strip() for line in lines[top + 1 : top + 3]] == ["front-left", "rear-left"]
    assert all(
        name in line for name, line in zip(("front-right", "rear-right"), lines[top + 1 :], strict=False)
    )
    assert lines[top + 3].startswith("+-")
    assert "rear" in lines[top + 3]
    assert PLACED.as_dict()["tap_rows"] == [[1, 2], [3, 0]]


def test_the_last_alarm_stays_to_be_read() -> None:
    seen = AlarmSeen("SEAL LOST at front-1, DOES NOT HOLD", 72.3, 76.3, "front", -12.9, 103.0)
    over = drawn(replace(FULL, last_alarm=seen))
    assert over[2] == "last alarm 01:12.3 to 01:16.3; worst front -12.9 N: SEAL LOST at front-1"
    on = drawn(replace(FULL, alarm=seen.words, last_alarm=replace(seen, until_s=None)))
    assert on[2] == "since 01:12.3; worst front -12.9 N"
    # and when the recording is over, in red where nobody asked for its end
    for why, style in (("", "bold"), ("port vanished", "bold white on red")):
        text = screen(replace(FULL, last_alarm=seen).dead(), ended=why)
        assert "last alarm 01:12.3" in text.plain
        at = text.plain.index("THE RECORDING IS OVER")
        assert [str(span.style) for span in text.spans if span.start <= at < span.end] == [style]
        assert ("OVER: port vanished" in text.plain) == bool(why)


def test_trouble_with_link_or_disk_is_red_in_the_one_line() -> None:
    text = screen(replace(FULL, link="LOST: port vanished"))
    first = text.plain.splitlines()[0]
    assert first.startswith("02:05.4   link LOST: port vanished   disk ok   200 rows/s")
    red = [text.plain[span.start : span.end] for span in text.spans if "red" in str(span.style)]
    assert red[0] == "link LOST: port vanished"


def test_us_units_on_the_screen() -> None:
    text = screen(PLACED, units=US).plain
    # NIST SP 811: 1 lbf = 4.448222 N, 1 inH2O = 249.0889 Pa
    assert "margin of the rear axle, lbf" in text
    assert "-0.52 lbf" in text
    assert f"{612 / 249.0889:.2f} inH₂O" in text
    assert " N " not in text


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
    assert five_signs(margin_n, 1, "+") == f"{signs:>5}"
    assert all(len(row) <= 40 for row in drawn(snapshot)[5:10])


def test_solid_signs_where_the_terminal_has_them() -> None:
    for encoding, sign in (("utf-8", "\u2588"), ("ascii", "#")):
        out = io.TextIOWrapper(io.BytesIO(), encoding=encoding, errors="replace")
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


def test_a_mark_lights_the_screen_up_and_the_code_gives_way_to_the_figures() -> None:
    from undertray.live.browser import code_lines

    out, clock = io.StringIO(), Seconds()
    console = Console(file=out, force_terminal=True, width=80, height=24)
    view = ScreenView(console, clock, code=code_lines("http://192.168.1.5:8099/" + "x" * 22))
    resting = replace(FULL, throttle_us=1000)
    view.show(resting)
    assert "margin of the" not in out.getvalue()
    assert "no alarm" in out.getvalue()
    assert all(len(line) <= 80 for line in code_lines("http://192.168.1.5:8099/" + "x" * 22))
    assert len(code_lines("http://192.168.1.5:8099/" + "x" * 22)) <= 20  # under the alarm, on 24 lines
    clock.now = 1.0
    view.show(FULL)  # the fans are up: what counts now are the figures
    assert "margin of the" in out.getvalue()
    view.code_shown = True  # asked for by its key, it comes back, and goes at an alarm
    clock.now, size = 1.5, len(out.getvalue())
    view.show(resting)
    assert "margin of the" not in out.getvalue()[size:]
    clock.now, size = 2.0, len(out.getvalue())
    view.show(replace(resting, alarm="NO ROWS"))
    assert "fans at rest" in out.getvalue()[size:]
    clock.now = 3.0
    view.show(FULL)
    size = len(out.getvalue())
    clock.now = 3.01
    view.show(replace(FULL, marks=1))  # at once
    assert "\x1b[7" in out.getvalue()[size:]
    assert out.getvalue().count("\x07") == 1
    view.close()


class Broken:
    """A view that fails, or never comes back in time."""

    def __init__(self, error: Exception | None = None) -> None:
        self.error, self.shown, self.closed = error, 0, False

    def show(self, snapshot: Snapshot) -> None:
        self.shown += 1
        if self.error is not None:
            raise self.error

    def close(self, ended: str = "") -> None:
        self.closed, self.ended = True, ended


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
    view = Broken()
    with pytest.raises(LinkError, match="sends no rows"):
        recorded(tmp_path, view, rows=0)
    assert view.ended == "the board answers but sends no rows"  # the view does not look as if it were stopped


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

        def close(self, ended: str = "") -> None:
            pass

    _, done = recorded(tmp_path, Hanging())
    assert ended.is_set()
    assert done.rows == 1001
