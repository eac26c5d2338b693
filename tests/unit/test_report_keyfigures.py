"""The figures a page begins with: each beside its own uncertainty, and no loss left uncounted."""

from __future__ import annotations

from dataclasses import replace

import pytest

from fakes.reductions import invented_car, invented_event, invented_reduction
from undertray.reduce.grip import Grip, SpeedTime
from undertray.reduce.summary import Centre, Estimate, Steady
from undertray.report.display import SI, US, number
from undertray.report.page import render_page
from undertray.report.sheet import grip_rows, key_figures, make_sheet, steady_rows
from undertray.report.verdict import judge
from undertray.report.words import event_words

STEADY = Steady(
    throttle_us=1700.0,
    seconds=6.5,
    suction_pa=Estimate(863.4, 35.1),
    downforce_n=Estimate(49.3, 2.0),
    front_n=Estimate(26.1, 1.24),
    rear_n=Estimate(23.2, 1.14),
    margin_n=Estimate(13.7, 2.0),
    front_margin_n=Estimate(6.9, 1.24),
    rear_margin_n=Estimate(6.84, 1.14),
)
GRIP = Grip(
    tyre_mu=0.9,
    downforce_n=49.3,
    ground_lateral_g=2.46,
    surface_lateral_g=0.66,
    mu_within=0.09,
    ground_lateral_u95_g=None,
    surface_lateral_u95_g=0.31,
    driven="all",
    to_speed=(SpeedTime(26.8224, 1.11, None), SpeedTime(12.0, 0.5, 1.0)),
)


def _figures(**changes: object) -> dict[str, tuple[str, str]]:
    reduction = invented_reduction(**changes)  # type: ignore[arg-type]
    return {name: (value, note) for name, value, note in key_figures(reduction, judge(reduction), SI)}


def test_the_steady_force_stands_beside_its_own_uncertainty() -> None:
    found = _figures(steady=STEADY, grip=GRIP)
    assert found["Steady downforce"] == ("49.3 N", "±2.00 N, needed 35.5 N at 180°")
    assert found["Steady suction"] == ("863 Pa", "±35 Pa, mean of the taps")
    assert found["Steady margin"] == ("+6.84 N", "±1.14 N, rear axle")
    # the 1.2 N of the invented run's whole log belong to another mean, and are shown nowhere up here
    assert not any("1.20 N" in note for _, note in found.values())


def test_without_a_steady_part_the_medians_are_told_as_medians() -> None:
    found = _figures()
    assert found["Downforce, fans up"][1].startswith("median; needed 35.5 N")
    assert not any("±" in note for _, note in found.values())


def test_a_slow_leak_is_a_loss_with_its_warning() -> None:
    leak = invented_event(kind="slow-leak", onset_s=7.76, warning_s=2.02, first_tap="rear-right")
    found = _figures(events=(leak, invented_event(kind="throttle-cut", onset_s=10.0, warning_s=None)))
    assert found["Losses of the seal"] == ("1", "slow-leak at 7.76 s, rear-right first")
    assert found["Warning"] == ("2.02 s", "before it")
    assert "Warning" not in _figures(events=())


def test_a_force_within_its_uncertainty_acts_nowhere() -> None:
    reduction = invented_reduction()
    assert "124" in _figures(centre_mm=Centre(124.0, 0.4, 2.0, 1.5))["Centre of force, whole log"][0]
    little = replace(reduction.downforce_n, mean=0.05)
    assert _figures(downforce_n=little)["Centre of force, whole log"][0] == "unknown"


@pytest.mark.parametrize(("angle", "columns"), [(180.0, 3), (0.0, 2)])
def test_grip_is_told_for_the_ground_and_the_surface(angle: float, columns: int) -> None:
    heads, rows = grip_rows(GRIP, angle)
    assert len(heads) == columns
    assert [row[:2] for row in rows] == [
        ("Lateral", "2.46 g"),
        ("0 to 60 mph, all wheels", "1.11 s"),
        ("0 to 12.0 m/s, all wheels", "0.50 s"),
    ]
    if columns == 3:
        assert [row[2] for row in rows] == ["0.66 ±0.31 g", "never", "1.00 s"]
    assert grip_rows(None, angle) == ((), [])


def test_the_page_holds_both_tables_or_neither() -> None:
    sheets = [
        make_sheet(invented_reduction(seconds=4.0, fold_at_s=None, steady=steady, grip=grip), invented_car())
        for steady, grip in ((STEADY, GRIP), (None, None))
    ]
    both, neither = (render_page([sheet], "x") for sheet in sheets)
    assert "Throttle up and still at 1700 µs, 6.5 s" in both
    assert "At tyre mu 0.9" in both
    assert "Throttle up and still" not in neither
    assert "tyre mu" not in neither
    assert steady_rows(invented_reduction(), SI) == []


def test_a_warning_is_none_of_a_throttle_cuts_business() -> None:
    cut = invented_event(kind="throttle-cut", warning_s=None)
    rows = make_sheet(
        invented_reduction(events=(invented_event(warning_s=None), cut)), invented_car()
    ).events.rows
    assert [row[6] for row in rows] == ["none", ""]


def test_no_pressure_is_told_finer_than_a_sensor_tells_it() -> None:
    assert [SI.pa(v) for v in (944.2, 71.46, 8.87, 0.651, 0.02, -0.02)] == [
        *("944 Pa", "71 Pa", "8.9 Pa", "0.7 Pa", "0 Pa", "0 Pa"),
    ]
    assert [SI.n(v) for v in (35.549, 0.6764, 110.15)] == ["35.5 N", "0.68 N", "110 N"]
    assert US.pa(0.849) == "0.003 inH₂O"
    assert number(0.0123, most_places=2) == "0.01"


def test_event_names_stand_above_the_lines_and_apart() -> None:
    from undertray.report.timeline import draw_timeline

    # a fault in the middle of full suction, and three events within a second of each other
    onsets_s = (5.0, 8.0, 8.4, 8.8)
    events = tuple(invented_event(onset_s=at, bottom_s=at + 0.05) for at in onsets_s)
    figure = draw_timeline(invented_reduction(events=events))
    panel = figure.axes[0]
    highest = max(line.get_ydata().max() for line in panel.get_lines() if len(line.get_ydata()) > 2)
    figure.draw_without_rendering()
    boxes = [text.get_window_extent() for text in panel.texts]
    assert len(boxes) == len(onsets_s)
    line_px = panel.transData.transform((0.0, highest))[1]
    assert all(box.y0 >= line_px - 1 for box in boxes)
    assert not any(a.overlaps(b) for place, a in enumerate(boxes) for b in boxes[:place])


def test_there_is_no_minus_zero() -> None:
    shown = [SI.pa(-0.04), SI.n(-0.004, signed=True), number(-0.0, signed=True), number(-1e-9, most_places=2)]
    assert shown == ["0 Pa", "0 N", "0", "0"]
    event = invented_event(kind="throttle-cut", to_pa=-0.3)
    assert "1500 to 0 Pa" in event_words(invented_reduction(events=(event,)), event)
