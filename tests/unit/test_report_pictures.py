"""Pictures and the numbers beside them."""

from __future__ import annotations

import base64
import csv
import io
import xml.etree.ElementTree as ET
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from matplotlib.figure import Figure

from fakes.reductions import invented_car, invented_event, invented_laps, invented_reduction, with_parts
from undertray.errors import ReductionError
from undertray.reduce.fan import FanReference
from undertray.reduce.geometry import area_and_centroid
from undertray.reduce.loads import load_matrix
from undertray.reduce.steady import run_blocks
from undertray.report.display import SI, US
from undertray.report.floorplan import at_moment_pa, cells, floor_picture
from undertray.report.moments import (
    _index_range,
    fan_picture,
    faulty_taps,
    gravest,
    index_picture,
    own_index,
    quiet_part,
    steady_pictures,
)
from undertray.report.picture import Picture, Thinner, write_pictures
from undertray.report.sheet import make_sheet
from undertray.report.timeline import (
    close_up,
    draw_timeline,
    lasts_until_s,
    run_picture,
    timeline,
    touch_numbers,
)


def _rows(picture: Picture) -> list[dict[str, str]]:
    return list(csv.DictReader(io.StringIO(picture.csv())))


def test_thinning_keeps_a_dip_of_a_single_row() -> None:
    values = np.full(720_000, 1000.0)
    values[123_457] = 3.0
    values[500_001] = 4000.0
    thinner = Thinner(np.arange(720_000) / 200.0)
    line = thinner.zigzag(values)
    assert len(line) == len(thinner.t_s) == 2000
    assert (line.min(), line.max()) == (3.0, 4000.0)
    at_s = thinner.t_s[int(line.argmin())]
    assert abs(at_s - 123_457 / 200.0) <= 3.6  # one of 1000 pieces of an hour


def test_thinning_leaves_a_short_run_as_it_is() -> None:
    t_s, values = np.arange(2000) / 200.0, np.random.default_rng(1).normal(size=2000)
    thinner = Thinner(t_s)
    assert np.array_equal(thinner.zigzag(values), values)
    assert list(thinner.columns("x", values)) == ["x"]


def test_marked_moments_are_drawn_and_named() -> None:
    reduction = invented_reduction(seconds=8.0, fold_at_s=6.0)
    marked = timeline(reduction, marks_s=(1.5, 3.25))
    assert "mark 1" in marked.svg
    assert "mark 2" in marked.svg
    assert "Dotted: moments that were marked" in marked.caption
    assert touch_numbers(reduction, invented_car(), SI, (), (1.5, 3.25))["marks"] == [1.5, 3.25]
    plain = timeline(reduction)
    assert "mark 1" not in plain.svg
    assert "Dotted" not in plain.caption


def test_the_table_of_the_time_picture_holds_the_run() -> None:
    reduction = invented_reduction(seconds=8.0, fold_at_s=6.0)
    rows = _rows(timeline(reduction))
    assert len(rows) == reduction.rows
    got = [float(row["front-left Pa"]) for row in rows]
    # written to 7 significant digits
    assert got == pytest.approx(reduction.series.tap_suction_pa[:, 0].tolist(), rel=1e-6, abs=1e-6)


def test_us_units_reach_the_numbers() -> None:
    reduction = invented_reduction(seconds=8.0, fold_at_s=None)
    row = _rows(timeline(reduction, US))[1000]
    # published: 1 inH2O = 249.08891 Pa (NIST SP 811)
    assert float(row["front-left inH₂O"]) * 249.08891 == pytest.approx(
        reduction.series.tap_suction_pa[1000, 0], rel=1e-6
    )


def test_a_close_up_shows_onset_and_bottom_and_a_long_warning() -> None:
    reduction = invented_reduction(events=(invented_event(warning_s=2.0),))
    times = [float(row["time s"]) for row in _rows(close_up(reduction, 0))]
    assert times[0] <= 8.0 - 2.0
    assert times[-1] >= 8.05


def test_cells_tile_the_floor_with_the_areas_of_the_load_matrix() -> None:
    car = invented_car()
    areas = [area_and_centroid(cell)[0] * 1e-6 for _, cell in cells(car, car.taps)]
    # the map colours just what the reduction lets each tap speak for
    assert areas == pytest.approx(load_matrix(car).area_m2.tolist(), rel=1e-12)


def test_the_floor_bears_the_order_of_collapse() -> None:
    reduction = invented_reduction()
    order = ("rear-left", "front-right")
    picture = floor_picture(
        invented_car(),
        at_moment_pa(reduction, 8.05),
        tuple(reduction.taps),
        *("k", "t", "c"),
        order=order,
    )
    assert [row["fell as number"] for row in _rows(picture)] == ["", "2", "1", ""]
    words = [t for t in ET.fromstring(picture.svg).itertext() if t.strip()]
    # a name that is too long for its part of the floor stands on two lines
    assert {"1", "2", "front-", "rear-", "left", "right"} <= {w.strip() for w in words}
    assert "in this order: rear-left, front-right" in picture.words


def test_a_tap_without_reading_is_said_and_left_out_of_the_map() -> None:
    picture = floor_picture(
        invented_car(), [1000.0, np.nan, 900.0, 800.0], [t.name for t in invented_car().taps], "k", "t", "c"
    )
    assert "no reading" in picture.svg
    assert "front-right: no reading" in picture.words


def test_moments_take_the_rows_asked_for() -> None:
    reduction = invented_reduction(fold_at_s=8.0)
    assert at_moment_pa(reduction, 7.9).mean() == pytest.approx(1500, rel=0.02)
    assert at_moment_pa(reduction, 8.1).mean() == pytest.approx(1500 * 0.27, rel=0.03)
    reduction.series.tap_suction_pa[:, 2] = np.nan
    assert np.isnan(at_moment_pa(reduction, 8.1)[2])


def test_own_index_is_one_when_sealed_and_falls_with_the_leak() -> None:
    reduction = invented_reduction(fold_at_s=8.0)
    blocks = run_blocks(reduction.series, reduction.events)
    index = own_index(blocks)
    assert np.nanmedian(index[(blocks.t_s > 4) & (blocks.t_s < 7.5)]) == pytest.approx(1.0, abs=0.01)
    # derived: the invented fold leaves 0.27 of the suction
    assert np.nanmedian(index[(blocks.t_s > 8.2) & (blocks.t_s < 10.8)]) == pytest.approx(0.27, abs=0.01)


def test_index_against_a_reference_curve() -> None:
    reduction = invented_reduction(fold_at_s=None)
    blocks = run_blocks(reduction.series, reduction.events)
    reference = FanReference("invented", ("good",), 1000.0, 1700.0, 3000.0, 1.0, None, 1, 5.0, 0.0)
    rows = [float(r["seal index"] or "nan") for r in _rows(index_picture(reduction, blocks, reference))]
    assert np.nanmedian(rows) == pytest.approx(0.5, abs=0.01)
    assert "reference skirt" in fan_picture(blocks, reference).words


def test_no_picture_of_any_size_holds_a_style_or_a_date() -> None:
    svg = timeline(invented_reduction(seconds=6.0)).inline("a")
    assert "style=" not in svg
    assert "dc:date" not in svg
    assert "var(--s0)" in svg


def test_files_are_written_twice_alike_and_are_images(tmp_path: Path) -> None:
    reduction = invented_reduction(seconds=6.0)
    first = [p.read_bytes() for p in write_pictures([timeline(reduction)], tmp_path / "a")]
    again = [p.read_bytes() for p in write_pictures([timeline(reduction)], tmp_path / "b")]
    assert first == again
    assert ET.fromstring(first[0]).tag == "{http://www.w3.org/2000/svg}svg"
    assert b"var(" not in first[0]
    (tmp_path / "file").write_text("", encoding="utf-8")
    with pytest.raises(ReductionError, match="cannot write the pictures"):
        write_pictures([timeline(reduction)], tmp_path / "file")


def test_the_png_is_the_same_twice(tmp_path: Path) -> None:
    reduction = invented_reduction(seconds=6.0)
    for name in ("a.png", "b.png"):
        run_picture(reduction, invented_car(), tmp_path / name)
    content = (tmp_path / "a.png").read_bytes()
    assert content.startswith(b"\x89PNG")
    assert content == (tmp_path / "b.png").read_bytes()
    with pytest.raises(ReductionError, match="cannot write the picture"):
        run_picture(reduction, invented_car(), tmp_path / "none" / "a.png")


def test_drawing_leaves_the_callers_settings_alone() -> None:
    import matplotlib as mpl

    before = dict(mpl.rcParams)
    timeline(invented_reduction(seconds=4.0))
    assert dict(mpl.rcParams) == before


def test_a_formula_in_a_name_is_no_formula_in_the_table() -> None:
    table = {"tap": ["=1+1", "@x", "front"], "Pa": [1.0, float("nan"), 2.0]}
    picture = Picture("k", "t", "c", "w", Figure(), table)
    assert picture.csv() == "tap,Pa\n'=1+1,1\n'@x,\nfront,2\n"


def _hundred_alike(drops: tuple[float, ...]) -> tuple[Any, ...]:
    """A hundred losses that differ by what they lost, and a cut after each."""
    return tuple(
        invented_event(
            kind="throttle-cut" if i % 2 else "seal-loss",
            onset_s=3.0 + 0.02 * i,
            bottom_s=3.01 + 0.02 * i,
            drop=drops[i // 2 % len(drops)],
        )
        for i in range(200)
    )


def test_of_events_that_are_alike_one_is_enlarged_and_all_are_counted() -> None:
    reduction = invented_reduction(events=_hundred_alike((0.70, 0.75)))
    sheet = make_sheet(reduction, invented_car())
    assert [row[0] for row in sheet.events.rows] == ["100 \u00d7 seal-loss", "100 \u00d7 throttle-cut"]
    assert sheet.events.rows[0][1:5] == ("3.00 s to 6.96 s", "front-left", "1500 Pa to 400 Pa", "70\u201375%")
    assert len(sheet.every_event.rows) == 150
    assert sheet.events_left == ("50 further events are not in this table.",)
    assert [(c.gravest, c.folded) for c in sheet.close_ups] == [(True, False), (False, True)]
    assert "one of 100 alike" in sheet.close_ups[0].title
    assert "the first began at 3.00 s, the last at 6.96 s" in sheet.close_ups[0].words


def test_the_big_number_and_its_close_up_say_in_which_event_they_are() -> None:
    sheet = make_sheet(invented_reduction(), invented_car())
    assert ", in event 1, " in sheet.number[1]
    assert sheet.least is not None
    assert sheet.least.title.endswith(", in event 1")
    assert sheet.close_ups[0].title == "Event 1, seal-loss at 8.00 s: here it let go"


def test_of_many_that_differ_the_gravest_are_enlarged_and_the_rest_counted() -> None:
    events = _hundred_alike(tuple(0.12 + 0.11 * k for k in range(8)))
    close_ups, left = gravest(invented_reduction(events=events), invented_car(), SI, None)
    assert len(close_ups) == 8
    assert all("seal-loss" in c.title for c in close_ups)
    assert left[-1] == "The 8 gravest are enlarged below, 1 are not."


def test_every_time_without_rows_is_grey_however_many_and_however_short() -> None:
    gaps = tuple(
        invented_event(
            kind="data-gap", onset_s=0.5 + 0.05 * i, bottom_s=0.5 + 0.05 * i, end_s=0.52 + 0.05 * i
        )
        for i in range(200)
    )
    reduction = invented_reduction(fold_at_s=None, events=gaps)
    assert len(touch_numbers(reduction, invented_car(), SI)["gaps"]) == 200
    # four panels, each with one grey part for each gap; derived: drawn 12 s / 250 wide they do not touch
    drawn = timeline(reduction).svg
    assert drawn.count("PolyCollection") == 8
    grey = ET.fromstring(drawn).iter("{http://www.w3.org/2000/svg}path")
    assert sum("#8a8f98" in path.get("style", "") for path in grey) == 4 * 200


def test_a_faulty_tap_is_hatched_and_has_no_value() -> None:
    car = invented_car()
    names = [tap.name for tap in car.taps]
    good, bad = (
        floor_picture(car, [900.0, 4.0, 900.0, 800.0], names, "k", "t", "c", faulty=faulty)
        for faulty in ((), ("front-right",))
    )
    assert "front-right: 4.0 Pa" in good.words
    assert "front-right: faulty" in bad.words
    assert ("<pattern" in good.svg, "<pattern" in bad.svg) == (False, True)
    assert _rows(bad)[1]["suction Pa"] == ""


def test_a_tap_is_faulty_only_while_it_is() -> None:
    fault = invented_event(
        kind="sensor-fault", onset_s=5.0, end_s=6.0, first_tap="rear-left", order=("rear-left",)
    )
    reduction = invented_reduction(events=(fault,))
    seen = [faulty_taps(reduction, *span) for span in ((4.9,), (5.5,), (6.1,), (4.0, 7.0))]
    assert seen == [(), ("rear-left",), (), ("rear-left",)]


def test_a_throttle_that_was_never_up_has_no_steady_map() -> None:
    reduction = invented_reduction(seconds=3.0, fold_at_s=None)
    for throttle_us, keys in ((1000.0, {"throttle"}), (1700.0, {"floor-steady", "throttle"})):
        reduction.series.throttle_us[:] = throttle_us
        driven = with_parts(reduction)
        assert {p.key for p in steady_pictures(driven, invented_car(), SI, quiet_part(driven))} - {
            "seal-index"
        } == keys


def test_five_per_cent_are_seen_on_the_axis_of_the_seal_index() -> None:
    # a fold to 27 % does not stretch it: what lies beyond is marked at its edge
    index = np.concatenate([np.full(50, 1.0), np.full(20, 0.27)])
    low, high = _index_range(index)
    assert low <= 0.9
    assert high >= 1.05
    # derived: the panel is 2.2 inches high, 72 points each; the line is one point wide
    assert 0.05 / (high - low) * 2.2 * 72 > 10


def test_a_reference_curve_is_dashed_where_it_was_not_measured() -> None:
    blocks = run_blocks(invented_reduction(fold_at_s=None).series, ())
    for low_us, top_us, dashed in ((900.0, 1700.0, False), (1500.0, 1700.0, True), (900.0, 1600.0, True)):
        known = FanReference("x", ("good",), 900.0, top_us, 3000.0, 1.0, None, 1, 5.0, 0.0, low_us=low_us)
        paths = ET.fromstring(fan_picture(blocks, known).svg).iter("{http://www.w3.org/2000/svg}path")
        drawn = [
            p.get("style", "") for p in paths if "#d55e00" in p.get("style", "") and len(p.get("d", "")) > 60
        ]
        assert any("dasharray" in style for style in drawn) == dashed


def test_an_event_is_shaded_only_until_it_ends() -> None:
    cut = invented_event(kind="throttle-cut", onset_s=11.0, bottom_s=11.4)
    healed = invented_event(end_s=9.0)
    fault = invented_event(kind="sensor-fault", onset_s=3.0)
    lasting = invented_event()
    reduction = invented_reduction(events=(fault, lasting, cut))
    assert lasts_until_s(reduction, healed) == 9.0
    assert lasts_until_s(reduction, cut) == 11.4
    assert lasts_until_s(reduction, lasting) == pytest.approx(11.0, abs=0.01)
    assert lasts_until_s(reduction, fault) == reduction.series.t_s[-1]


def test_times_without_rows_are_one_line_and_no_numbered_events() -> None:
    gaps = [invented_event(kind="data-gap", onset_s=at, end_s=end) for at, end in ((4.0, 4.1), (5.0, 5.2))]
    events = (*gaps, invented_event())
    sheet = make_sheet(invented_reduction(events=events), invented_car())
    assert [row[0] for row in sheet.events.rows] == ["1 seal-loss"]
    assert sheet.gaps == "2 times no rows came, 0.30 s in all; the longest was 0.20 s at 5.00 s."
    assert "Event 1" in sheet.close_ups[0].title


def test_a_long_run_is_embedded_in_pieces_that_hold_its_least_and_greatest() -> None:
    reduction = invented_reduction(seconds=300.0, fold_at_s=200.0)
    reduction.series.tap_suction_pa[20_000, 0] = -700.0
    data = touch_numbers(reduction, invented_car(), SI, [(199.0, 201.0)])
    assert not data["whole"]
    line = data["lines"][0]
    low, high = (np.frombuffer(base64.b64decode(line[k]), "<i2") * line["scale"] for k in ("low", "high"))
    assert len(low) <= 1500 + 150 + 4  # and where it begins and ceases to be judged
    assert low.min() == pytest.approx(-700.0, abs=line["scale"])
    assert high.max() == pytest.approx(reduction.series.tap_suction_pa[:, 0].max(), abs=line["scale"])
    t_s = np.frombuffer(base64.b64decode(data["t"]), "<f8")
    # derived: 60,000 rows in 1500 pieces are 0.2 s each, 400 rows in 150 a little over 0.01 s
    assert np.diff(t_s).max() == pytest.approx(0.2, abs=0.01)
    assert np.diff(t_s[(t_s > 199.1) & (t_s < 200.9)]).max() < 0.02


def test_the_laps_of_a_long_run_do_not_cover_its_falls() -> None:
    reduction = invented_laps()
    assert "Lines are broken where the fans were down" in timeline(reduction).caption
    panels = draw_timeline(reduction).axes
    margin = next(line for line in panels[2].lines if line.get_label() == "front axle")
    t_s, drawn_n = (np.asarray(values, float) for values in (margin.get_xdata(), margin.get_ydata()))

    def around(from_s: float, until_s: float) -> np.ndarray:
        return (t_s > from_s - 1.5) & (t_s < until_s + 1.5)

    # derived: below its need are the fold, the one time down of more than 400/60 s, and both ends
    known = around(130, 131) | around(257, 273) | (t_s < 8) | (t_s > 390)
    assert (drawn_n[around(130, 131)] < 0).any()
    # fans that stand leave a margin of all that it needs
    assert np.nanmin(drawn_n[around(260, 272)]) == pytest.approx(
        -reduction.axles["front"].required_n, abs=0.5
    )
    assert not (drawn_n[~known] < 0).any()
    assert np.isfinite(drawn_n[~known]).mean() > 0.7
    throttle_us = np.asarray(panels[3].lines[0].get_ydata())
    assert np.count_nonzero(np.diff((throttle_us < 1200.0).astype(int)) > 0) >= 19  # it shows every lap


def test_the_page_has_the_laps_that_the_picture_leaves_out() -> None:
    data = touch_numbers(invented_laps(), invented_car(), SI)
    t_s = np.frombuffer(base64.b64decode(data["t"]), "<f8")
    low = np.frombuffer(base64.b64decode(data["lines"][0]["low"]), "<i2") * data["lines"][0]["scale"]
    starts, ends = data["rests"][::2], data["rests"][1::2]
    assert len(starts) == len(ends) >= 19
    assert np.isin(starts, t_s).all()  # a piece begins where one does
    inside = np.any([(t_s >= a) & (t_s <= b) for a, b in zip(starts, ends, strict=True)], axis=0)
    assert low[inside].min() < 1.0 < 100.0 < low[~inside].min()
    assert touch_numbers(invented_reduction(), invented_car(), SI)["rests"] == []
