"""Runs, reductions and comparisons as tables and pictures, for a notebook."""

from __future__ import annotations

import io
from dataclasses import replace
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

import undertray
from fakes.program import CliRunner
from fakes.reductions import CAR_TOML
from fakes.runs import run_of
from undertray import notebook
from undertray.cli import app

DEMO = Path(__file__).parents[2] / "demo_logs"
FOLD = DEMO / "front-fold.csv"


@pytest.fixture(scope="module")
def run() -> undertray.Run:
    return undertray.read_run(FOLD, car=CAR_TOML)


@pytest.fixture(scope="module")
def reduction(run: undertray.Run) -> undertray.Reduction:
    return run.reduce()


def test_loads_and_margins_are_those_of_a_hand_calculation() -> None:
    """Derived: F is the sum of area times suction, an axle has it by levers, its need by weight share."""
    car = replace(undertray.Car.from_toml(CAR_TOML), load="areas")
    areas_m2 = np.array([0.010, 0.012, 0.014, 0.016])
    car = replace(
        car, taps=tuple(replace(t, area_mm2=1e6 * a) for t, a in zip(car.taps, areas_m2, strict=True))
    )
    t_s = np.arange(2000) / 200
    pa = np.where(t_s < 2, 0.0, 700.0)[:, None] + np.array([0.0, 50.0, 100.0, 150.0]) * (t_s[:, None] >= 2)
    log = run_of(t_s, pa, np.where(t_s < 2, 1000, 1700))
    table = undertray.reduce_run(log, car).frame()
    own_pa = np.round(pa / 0.61) * 0.61  # what whole counts hold
    force_n = own_pa @ areas_m2
    rear_n = own_pa @ (areas_m2 * [t.x_mm for t in car.taps]) / car.wheelbase_mm
    need_n = car.mass_kg * 9.80665 * (1 + car.allowance)
    assert np.allclose(table["downforce_n"], force_n, atol=1e-6)
    assert np.allclose(table["rear_margin_n"], rear_n - need_n * (1 - car.front_weight), atol=0.02)
    assert np.allclose(table["front_margin_n"], force_n - rear_n - need_n * car.front_weight, atol=0.02)


def test_the_table_has_time_taps_throttle_pack_loads_and_margins(reduction: undertray.Reduction) -> None:
    table = reduction.frame()
    taps = [f"{name}_pa" for name in ("front-left", "front-right", "rear-left", "rear-right")]
    loads = ["mean_suction_pa", "downforce_n", "front_n", "rear_n", "front_margin_n", "rear_margin_n"]
    assert list(table) == ["t_s", "throttle_us", "pack_mv", *taps, *loads, "alarm"]
    assert isinstance(table.index, pd.TimedeltaIndex)
    assert table.index.name == "time"
    assert np.allclose(table.index.total_seconds(), table["t_s"], rtol=0, atol=1e-6)  # ticks are microseconds
    assert np.allclose(table["downforce_n"], table["front_n"] + table["rear_n"])
    # the log tells the pack about once a second: between 8.0 and 8.4 V on a full pack of two cells
    assert table["pack_mv"].dropna().between(7500, 8500).all()
    assert table["pack_mv"].isna().sum() < 250  # none before the first, and none after is lost
    judged = reduction.holding
    assert not isinstance(judged, str)
    at = int(np.argmin(np.abs(table["t_s"] - judged.least.at_s)))
    assert table["front_margin_n"].iloc[at] == pytest.approx(judged.least.margin_n, abs=1e-9)


def test_a_run_without_a_car_still_has_its_pressure_columns() -> None:
    table = undertray.read_run(FOLD).frame()
    assert list(table)[:4] == ["t_s", "throttle_us", "p1_pa", "p1_out_of_range"]
    assert len(table) == 3189
    with pytest.raises(undertray.UndertrayError, match="does not keep its car"):
        undertray.read_run(FOLD).reduce()


def test_the_car_given_is_used_and_that_it_differs_is_told(tmp_path: Path, run: undertray.Run) -> None:
    heavy = tmp_path / "heavy.toml"
    heavy.write_text(CAR_TOML.read_text("utf-8").replace("mass = 2.9 ", "mass = 5.8 "), encoding="utf-8")
    own = replace(run, car=_as_logged(CAR_TOML), given_car=None)
    assert own.reduce().hold.stay_n == pytest.approx(2.9 * 9.80665, abs=0.01)
    other = undertray.reduce_run(own, heavy)
    assert other.hold.stay_n == pytest.approx(5.8 * 9.80665, abs=0.01)
    assert any("the car given is used, and the car in the log differs" in n for n in other.notices)


def _as_logged(path: Path) -> dict[str, object]:
    import tomllib

    return tomllib.loads(path.read_text("utf-8"))


def test_reprs_are_short_and_harmless(run: undertray.Run, reduction: undertray.Reduction) -> None:
    assert repr(run) == (
        "<Run front-fold: 15.9 s, 3189 rows, p1 p2 p3 p4, brush strip, 0.5 mm gap;"
        " car Moorhen 10 (invented), no calibration>"
    )
    assert repr(reduction).startswith("<Reduction front-fold: let go, least margin -")
    assert "UNCALIBRATED" in repr(reduction)
    evil = replace(run, name="\x1b[31m" * 100, facts={"skirt": "\x1b]0;x\x07\n" * 100})
    assert len(repr(evil)) < 400
    assert repr(evil).isprintable()
    assert repr(replace(run, **{k: getattr(run, k)[:0] for k in ("seq", "t_us", "host_us")})).count("\n") == 0


def test_print_says_what_the_command_says(run: undertray.Run, reduction: undertray.Reduction) -> None:
    assert str(run) == str(reduction)
    assert repr(undertray.read_run(FOLD)) == str(undertray.read_run(FOLD))  # without a car there is no more
    assert "The front let go at 9.96 s, 0.5 s after the first flutter, and stayed off." in str(reduction)


@pytest.mark.parametrize(("units", "label"), [("si", "N"), ("us", "lbf")])
def test_a_plot_is_a_figure_that_any_backend_writes(
    reduction: undertray.Reduction, units: str, label: str
) -> None:
    figure = reduction.plot(units)
    assert f"downforce / {label}" in [panel.get_title("right") for panel in figure.axes]
    stream = io.BytesIO()
    figure.savefig(stream, format="png")
    assert stream.getvalue().startswith(b"\x89PNG")
    with pytest.raises(undertray.UndertrayError, match="no such units"):
        reduction.plot("imperial")


def test_compare_takes_logs_and_runs_and_counts_a_drive_once(tmp_path: Path, run: undertray.Run) -> None:
    copy = tmp_path / "copy.csv"
    copy.write_bytes(FOLD.read_bytes())
    found = undertray.compare([DEMO / "clean-hold.csv", run, copy], car=CAR_TOML)
    table = found.frame()
    assert table.index.name == "skirt"
    assert table["runs"].to_list() == [1, 1]
    assert table["suction_pa_low"].isna().all()  # one mounting each has no interval
    assert any("holds the same run as" in n for n in found.notices)
    assert "one mounting each: no claim" in str(found)
    assert repr(found) == (
        "<Comparison by skirt: closed-cell foam, 0.3 mm gap (1 runs), brush strip, 0.5 mm gap (1 runs)>"
    )
    assert [len(figure.axes) for figure in (found.plot(),)] == [3]


def test_export_has_the_columns_of_the_table_behind_those_it_had(tmp_path: Path) -> None:
    for name, options in (("pa.csv", ["--pa"]), ("loads.csv", ["--loads", "--car", str(CAR_TOML)])):
        done = CliRunner().invoke(app, ["export", str(FOLD), *options, "--out", str(tmp_path / name)])
        assert done.exit_code == 0, done.output
    before, table = (pd.read_csv(tmp_path / name) for name in ("pa.csv", "loads.csv"))
    own = undertray.read_run(FOLD, CAR_TOML).frame()
    pd.testing.assert_frame_equal(table[list(before)], before)
    added = list(table)[len(before.columns) :]
    assert added == ["pack_mv", *list(own)[list(own).index("mean_suction_pa") : -1]]
    # 0.1 mPa and 0.1 mN is what is written
    assert np.allclose(table[added], own[added], rtol=0, atol=0.51e-4, equal_nan=True)


def test_the_package_exports_what_the_page_uses_and_loads_it_late() -> None:
    assert {"compare", "Comparison", "Run", "Reduction"} <= set(undertray.__all__)
    assert undertray.read_run is notebook.read_run
