"""A log as a plain table: counts as they are, or suction in Pa, written piece by piece."""

from __future__ import annotations

import sys
import tracemalloc
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from fakes.program import CliRunner
from fakes.runs import PA_PER_COUNT, run_of
from undertray.acquire.device import Column
from undertray.acquire.logscan import Note
from undertray.acquire.runlog import Run, read_run
from undertray.acquire.runtable import export_run, tables_of
from undertray.calibrate.calibration import Calibration
from undertray.calibrate.scale import nominal_suction_pa
from undertray.cli import app
from undertray.errors import CalibrationError, RunLogError
from undertray.reduce import reading
from undertray.report import pressuretable
from undertray.report.pressuretable import ColumnSuction
from unit.test_runlog_inspect import troubled

DEMO = Path(__file__).parents[2] / "demo_logs"


def test_an_export_is_the_run(tmp_path: Path) -> None:
    run = read_run(troubled(tmp_path))
    out = tmp_path / "table.csv"
    assert export_run(run, out) == 211
    table = pd.read_csv(out)
    assert table["t_s"].is_monotonic_increasing
    assert np.array_equal(table["seq"], run.seq)
    assert np.array_equal(table[["p1", "p2"]], run.counts, equal_nan=True)
    assert np.array_equal(table["throttle_us"], run.throttle_us, equal_nan=True)
    assert b"." not in out.read_bytes().splitlines()[1].split(b",", 1)[1]  # counts stay whole


def test_pieces_are_the_table_of_the_whole(tmp_path: Path) -> None:
    run = read_run(troubled(tmp_path))
    (whole,) = tables_of(run)
    pieces = list(tables_of(run, rows=50))
    assert [len(piece) for piece in pieces] == [50, 50, 50, 50, 11]
    pd.testing.assert_frame_equal(pd.concat(pieces, ignore_index=True), whole)


@pytest.mark.parametrize("rows", [0, 20_000])
def test_an_export_to_parquet_is_the_same_table(tmp_path: Path, rows: int) -> None:
    pytest.importorskip("pyarrow", reason="Parquet needs pyarrow")
    run = long_run(20_000, 2)
    run = replace(run, throttle_us=np.where(np.arange(20_000) < 18_000, np.nan, 1500.0))  # none in a piece
    run = replace(run, **{key: getattr(run, key)[:rows] for key in ROWS})
    export_run(run, tmp_path / "table.parquet", ColumnSuction(run).rows)
    expected = pd.concat(list(tables_of(run, ColumnSuction(run).rows)), ignore_index=True)
    pd.testing.assert_frame_equal(pd.read_parquet(tmp_path / "table.parquet"), expected)


def test_what_cannot_be_exported_says_why(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    run = read_run(troubled(tmp_path))
    (tmp_path / "there.csv").write_text("precious")
    with pytest.raises(RunLogError, match="this file exists"):
        export_run(run, tmp_path / "there.csv")
    assert (tmp_path / "there.csv").read_text() == "precious"
    with pytest.raises(RunLogError, match=r"\.csv or \.parquet"):
        export_run(run, tmp_path / "table.xlsx")
    with pytest.raises(RunLogError, match="check that its folder exists"):
        export_run(run, tmp_path / "none" / "table.csv")

    monkeypatch.setitem(sys.modules, "pyarrow", None)
    with pytest.raises(RunLogError, match="needs the package pyarrow"):
        export_run(run, tmp_path / "table.parquet")
    assert not (tmp_path / "table.parquet").exists()


ROWS = ("host_us", "seq", "t_us", "throttle_us", "flags", "counts")


def long_run(rows: int, columns: int) -> Run:
    t_s = np.arange(rows) / 200
    waves_pa = 900 + 700 * np.sin(t_s[:, None] * 3 + np.arange(columns))
    return run_of(t_s, waves_pa, np.full(rows, 1500))


def certificate(tmp_path: Path) -> Calibration:
    options = [
        "--points",
        str(DEMO / "column.csv"),
        "--out",
        str(tmp_path / "calibration.json"),
        "--zero-open",
    ]
    assert CliRunner().invoke(app, ["calibrate", *options]).exit_code == 0
    return Calibration.from_json(tmp_path / "calibration.json")


def joined(run: Run, calibration: Calibration | None, step: int) -> pd.DataFrame:
    source = ColumnSuction(run, calibration)
    spans = [(a, min(len(run.seq), a + step)) for a in range(0, len(run.seq), step)]
    return pd.concat([pd.DataFrame(source.rows(a, b)) for a, b in spans], ignore_index=True)


@pytest.mark.parametrize("step", [1, 7, 1000])
def test_pa_are_those_of_the_parts_scale_whatever_the_pieces(step: int) -> None:
    run = long_run(60, 3)
    run.counts[3, 0] = np.nan
    run.counts[20:30, 1] = 14746  # held at the part's limit over the seams of the pieces
    run.counts[40, 2] = 14800  # once beyond it
    assert run.device is not None
    expected = nominal_suction_pa(run.counts, run.device.columns)
    table = joined(run, None, step)
    pa = table[["p1_pa", "p2_pa", "p3_pa"]].to_numpy()
    # 0.1 mPa is what is written
    assert np.allclose(pa, expected.suction_pa, rtol=0, atol=0.5e-4, equal_nan=True)
    # derived: (count - zero) Pa per count
    assert pa[40, 2] == pytest.approx((14800 - 8192) * PA_PER_COUNT, abs=1e-4)
    out = table[["p1_out_of_range", "p2_out_of_range", "p3_out_of_range"]].to_numpy()
    assert np.array_equal(out == 2, expected.out_of_range)
    assert (out == 2).sum() == 11
    assert not (out == 1).any()


def test_a_compensated_part_takes_its_second_word_from_the_whole_run(tmp_path: Path) -> None:
    # coefficients and exponents of the worked example of the family's data sheet, from memory
    scale = {"kind": "ms5525dso", "c": [36402, 39473, 40393, 29523, 29854, 21917], "q": [15, 17, 7, 5, 7, 21]}
    run = long_run(40, 1)
    assert run.device is not None
    column = Column("p1", "MS5525DSO", "001DS", 0, 0x76, None, "high", scale | {"range_pa": 6894.757})
    notes = tuple(
        Note(0, "status", {"second": [word]}, row) for word, row in ((4_000_000, 5), (4_400_000, 35))
    )
    counts = np.asarray(run.counts) + 8e6
    run = replace(run, device=replace(run.device, columns=(column,)), notes=notes, counts=counts)
    expected = nominal_suction_pa(run.counts, (column,), notes).suction_pa
    assert np.ptp(expected) > 10
    assert np.allclose(joined(run, None, 9)[["p1_pa"]], expected, rtol=0, atol=0.5e-4)


def test_a_calibration_is_applied_and_what_it_does_not_cover_is_marked(tmp_path: Path) -> None:
    calibration = certificate(tmp_path)
    run = read_run(DEMO / "clean-hold.csv")
    assert run.device is not None
    nominal = nominal_suction_pa(run.counts, run.device.columns).suction_pa
    counts = np.array(run.counts)
    counts[100, 0] = run.device.columns[0].scale["zero"] + 3000  # 1830 Pa: the column stood at 120 mm
    table = joined(replace(run, counts=counts), calibration, 5000)
    expected = calibration.apply(nominal, run.columns)
    rows = np.arange(len(nominal)) != 100
    assert np.allclose(table["p1_pa"][rows], expected[rows, 0], rtol=0, atol=0.5e-4)
    assert np.flatnonzero(table["p1_out_of_range"]).tolist() == [100]
    assert table["p1_out_of_range"][100] == 1
    assert pressuretable._EDGE == reading._EDGE  # one rule for the table and the reduction


def test_a_log_without_its_board_is_refused_with_what_to_do(tmp_path: Path) -> None:
    path = tmp_path / "cut.csv"
    path.write_bytes((DEMO / "front-fold.csv").read_bytes()[:300])
    done = CliRunner().invoke(app, ["export", str(path), "--pa", "--out", str(tmp_path / "out.csv")])
    assert done.exit_code != 0
    with pytest.raises(RunLogError, match=r"cut\.csv: .*record again.*export the counts"):
        ColumnSuction(read_run(path))
    assert not (tmp_path / "out.csv").exists()


def test_a_column_without_a_calibration_goes_by_its_own_scale_under_another_name(tmp_path: Path) -> None:
    calibration, run = certificate(tmp_path), long_run(30, 5)
    table, own = joined(run, calibration, 7), joined(run, None, 30)
    assert list(table)[6:] == ["p4_pa", "p4_out_of_range", "p5_uncalibrated_pa", "p5_out_of_range"]
    assert table["p5_uncalibrated_pa"].equals(own["p5_pa"])
    expected = calibration.apply(own[["p1_pa", "p2_pa", "p3_pa", "p4_pa"]].to_numpy(), run.columns[:4])
    # 0.1 mPa is what is written, of the nominal suction too
    assert np.allclose(table[[f"p{i}_pa" for i in (1, 2, 3, 4)]], expected, rtol=0, atol=1.1e-4)
    assert ColumnSuction(run, calibration).uncalibrated == ("p5",)
    assert ColumnSuction(run).uncalibrated == ()


def test_a_calibration_of_none_of_the_columns_is_refused(tmp_path: Path) -> None:
    calibration = certificate(tmp_path)
    other = replace(calibration, columns={f"q{name}": of for name, of in calibration.columns.items()})
    with pytest.raises(CalibrationError, match=r"no pressure column of this run.*export without one"):
        ColumnSuction(long_run(5, 4), other)


def test_the_command_names_a_column_without_a_calibration(tmp_path: Path) -> None:
    calibration = certificate(tmp_path)
    columns = {name: of for name, of in calibration.columns.items() if name != "p3"}
    replace(calibration, columns=columns).to_json(tmp_path / "three.json")
    options = ["--calibration", str(tmp_path / "three.json"), "--out", str(tmp_path / "pa.csv")]
    done = CliRunner().invoke(app, ["export", str(DEMO / "front-fold.csv"), *options])
    assert done.exit_code == 0, done.output
    assert "p3 has no calibration: by the sensor's own scale, as p3_uncalibrated_pa" in done.stderr
    assert "p3_uncalibrated_pa" in (tmp_path / "pa.csv").read_text(encoding="utf-8").splitlines()[0]


@pytest.mark.parametrize(
    ("options", "said"),
    [
        (["--pa", "--calibration", "none"], "uncalibrated"),
        (["--calibration", "calibration.json"], "another board"),
    ],
)
def test_the_command_writes_pa_and_says_how_far_to_trust_them(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, options: list[str], said: str
) -> None:
    certificate(tmp_path)
    text = (tmp_path / "calibration.json").read_text(encoding="utf-8")
    monkeypatch.chdir(tmp_path)
    Path("calibration.json").write_text(text.replace('"uid": ""', '"uid": "ff"'), encoding="utf-8")
    done = CliRunner().invoke(app, ["export", str(DEMO / "front-fold.csv"), *options, "--out", "pa.csv"])
    assert done.exit_code == 0, done.output
    assert said in done.stderr
    table = pd.read_csv("pa.csv")
    assert list(table)[6:8] == ["p1_pa", "p1_out_of_range"]
    assert table["p1_pa"].max() == pytest.approx(1000, abs=50)  # as the demo run's report says


def test_an_export_holds_only_some_rows_at_a_time(tmp_path: Path) -> None:
    pytest.importorskip("pyarrow", reason="Parquet is the quick way")

    def peak(work: Callable[[Run], object], rows: int) -> int:
        run = long_run(rows, 8)
        tracemalloc.start()
        work(run)
        told = tracemalloc.get_traced_memory()[1]
        tracemalloc.stop()
        return told

    def export(run: Run) -> None:
        export_run(run, tmp_path / f"{len(run.seq)}.parquet", ColumnSuction(run).rows)

    peak(export, 1000)  # what is imported and kept once
    grown = (peak(export, 160_000) - peak(export, 80_000)) / 80_000
    # the time line is needed as a whole, 16 bytes a row and 30 while it is made; of the table, over 100
    # bytes a row, nothing is kept
    assert grown < 40
