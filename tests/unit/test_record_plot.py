"""The strip chart, without a window: what it draws, and what it says where there is none."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace

import matplotlib as mpl
import pytest
from matplotlib.figure import Figure

from undertray.errors import UndertrayError
from undertray.live.plot import PlotView
from undertray.live.snapshot import AxleNow, Snapshot

NOW = Snapshot(axles=(AxleNow("front", 16, 14, 2.0), AxleNow("rear", 13, 15, -2.0)), suction_pa=600)


class Seconds:
    now = 0.0

    def __call__(self) -> float:
        return self.now


@pytest.fixture
def chart(monkeypatch: pytest.MonkeyPatch) -> Iterator[tuple[PlotView, Seconds]]:
    """Drawn in memory; only the opening of the window is left out."""
    mpl.use("agg")
    monkeypatch.setattr(mpl, "get_backend", lambda: "windowed")
    monkeypatch.setattr(Figure, "show", lambda self: None)
    clock = Seconds()
    view = PlotView(clock)
    yield view, clock
    view.close()


def test_no_window_says_so() -> None:
    mpl.use("agg")
    with pytest.raises(UndertrayError, match=r"no window can be opened here, got 'agg'.*--page"):
        PlotView()


def test_it_draws_both_margins_of_the_last_half_minute(chart: tuple[PlotView, Seconds]) -> None:
    view, clock = chart
    for second in range(46):
        clock.now = float(second)
        view.show(replace(NOW, elapsed_s=clock.now, alarm="SEAL LOST $x" if second == 45 else ""))
    axes = view._axes
    lines = {line.get_label(): line for line in axes.get_lines()}
    assert lines["rear margin, N"].get_ydata()[-1] == -2.0
    assert min(lines["front margin, N"].get_xdata()) == 15.0
    assert axes.get_title() == "ALARM: SEAL LOST $x"


def test_ten_times_a_second_and_suction_where_there_is_no_car(chart: tuple[PlotView, Seconds]) -> None:
    view, clock = chart
    for hundredth in range(50):
        clock.now = hundredth / 100
        view.show(Snapshot(elapsed_s=clock.now, suction_pa=500.0))
    assert 4 <= len(view._points["mean suction, Pa"]) <= 6


def test_a_chart_closed_by_hand_is_left_alone(chart: tuple[PlotView, Seconds]) -> None:
    view, _ = chart
    view.close()
    view.show(NOW)
    assert view._points == {}


def test_an_alarm_is_drawn_at_once_and_a_dead_view_adds_no_figure(chart: tuple[PlotView, Seconds]) -> None:
    view, clock = chart
    view.show(replace(NOW, elapsed_s=1.0))
    clock.now = 0.01
    view.show(replace(NOW, elapsed_s=1.5, alarm="SEAL LOST"))
    assert view._axes.get_title() == "ALARM: SEAL LOST"
    for elapsed_s in (2.0, 40.0):
        clock.now += 1
        view.show(replace(NOW, elapsed_s=elapsed_s).dead(alarm="LIVE VIEW FAILED"))
        assert view._axes.get_title() == "ALARM: LIVE VIEW FAILED"
    assert [len(points) for points in view._points.values()] == [2, 2]
    assert view._axes.get_xlim() == (10.0, 40.0)  # what was drawn before has left the picture
