"""The calibration file: what is written, read back and refused."""

from __future__ import annotations

import copy
import json

import numpy as np
import pytest

from undertray.calibrate.calibration import Calibration, ColumnCalibration
from undertray.errors import CalibrationError
from undertray.report.calibrationwords import details

MINIMAL = {
    "format": 1,
    "made_utc": "2026-05-02T10:15:00Z",
    "fluid": {"name": "water"},
    "gravity_m_s2": 9.80665,
    "uid": "e6614c311b7a5d2f",
    "columns": {
        "p1": {
            "part": "hsc",
            "coefficients": [1.5, 1.02],
            "covariance": [[0.25, -1e-4], [-1e-4, 1e-6]],
            "range_pa": [-3, 950],
            "residual_sd_pa": 0.8,
            "hysteresis_pa": None,
            "repeatability_pa": 0.4,
            "linearity_pa": 1.1,
            "points": [],
        }
    },
}


def written(tmp_path, data):
    path = tmp_path / "calibration.json"
    path.write_text(data if isinstance(data, str) else json.dumps(data), encoding="utf-8")
    return path


def test_a_file_with_only_the_keys_of_the_format(tmp_path):
    calibration = Calibration.from_json(written(tmp_path, MINIMAL))
    column = calibration.columns["p1"]
    assert calibration.uid == "e6614c311b7a5d2f"
    assert (column.part, column.range_pa, column.hysteresis_pa) == ("hsc", (-3, 950), None)
    np.testing.assert_array_equal(column.apply(np.array([0.0, 100.0, np.nan])), [1.5, 103.5, np.nan])
    assert column.in_range(np.array([-4.0, -3.0, 950.0, 951.0, np.nan])).tolist() == [
        False,
        True,
        True,
        False,
        False,
    ]


def test_written_and_read_back_is_the_same_bytes(tmp_path):
    first = Calibration.from_json(written(tmp_path, MINIMAL))
    first.to_json(tmp_path / "a.json")
    Calibration.from_json(tmp_path / "a.json").to_json(tmp_path / "b.json")
    assert (tmp_path / "a.json").read_bytes() == (tmp_path / "b.json").read_bytes()
    again = json.loads((tmp_path / "a.json").read_bytes())
    assert {key: again["columns"]["p1"][key] for key in MINIMAL["columns"]["p1"]} == MINIMAL["columns"]["p1"]


def test_apply_goes_by_name(tmp_path):
    data = copy.deepcopy(MINIMAL)
    data["columns"]["p2"] = {**data["columns"]["p1"], "coefficients": [-1.0, 2.0, 0.01]}
    data["columns"]["p2"]["covariance"] = np.diag([1.0, 1e-6, 1e-12]).tolist()
    calibration = Calibration.from_json(written(tmp_path, data))
    nominal = np.array([[10.0, 10.0], [20.0, np.nan]])
    done = calibration.apply(nominal, ["p2", "p1"])
    np.testing.assert_allclose(done, [[20.0, 11.7], [43.0, np.nan]])
    with pytest.raises(CalibrationError, match="got 'p3', expected one of p1, p2"):
        calibration.apply(nominal, ["p1", "p3"])


def test_uncertainty_of_a_value():
    column = ColumnCalibration(
        part="",
        coefficients=np.array([0.0, 1.0]),
        covariance=np.array([[4.0, -0.01], [-0.01, 1e-4]]),
        range_pa=(0, 1000),
        residual_sd_pa=1.0,
        hysteresis_pa=6.0,
        repeatability_pa=None,
    )
    # derived by hand: 4 - 2 (0.01) 100 + 1e-4 1e4 + 36/12 = 6
    assert float(column.standard_uncertainty_pa(100.0)) == pytest.approx(6**0.5)


def changed(*path_and_value):
    *path, value = path_and_value
    data = copy.deepcopy(MINIMAL)
    at = data
    for key in path[:-1]:
        at = at[key]
    at[path[-1]] = value
    return data


def column(key, value):
    return changed("columns", "p1", key, value)


def test_points_of_another_shape_and_an_unknown_board_stop_nothing(tmp_path):
    data = column("points", [[0, 0.1], {"height_mm": 10.0, "direction": "up"}, "remark"])
    data["uid"] = None
    calibration = Calibration.from_json(written(tmp_path, data))
    assert calibration.uid == ""
    assert calibration.columns["p1"].points == ({"height_mm": 10.0, "direction": "up"},)


@pytest.mark.parametrize(
    ("data", "said"),
    [
        ("", "not JSON"),
        ("[" * 100_000, "not JSON"),
        ('{"format": 1, "x": NaN}', "NaN is not a JSON number"),
        ('{"format": ' + "9" * 5000 + "}", "not JSON"),
        ("[]", "no calibration"),
        ({}, "no calibration"),
        (changed("format", 2), "newer format, got '2', expected version 1; update"),
        (changed("format", "1"), "bad 'format'"),
        (changed("made_utc", None), "bad 'made_utc'"),
        (changed("uid", "x" * 201), "bad 'uid'"),
        (changed("fluid", []), "bad 'fluid'"),
        (changed("gravity_m_s2", 981), "bad 'gravity_m_s2', got '981', expected a number from 9.7 to 9.9"),
        (changed("columns", {}), "bad 'columns'"),
        (changed("columns", {f"p{i}": {} for i in range(17)}), "bad 'columns'"),
        (changed("columns", "p1", 7), "p1: no calibration of a column"),
        (column("coefficients", [1.0]), "bad 'coefficients'"),
        (column("coefficients", [1.0, -1.0]), "bad 'coefficients'"),
        (column("coefficients", [1.0, True]), "bad 'coefficients'"),
        (column("coefficients", [1.0, 1e300]), "bad 'coefficients'"),
        (column("coefficients", [0.0] * 4), "bad 'coefficients'"),
        (column("covariance", [[1.0, 0.0]]), "bad 'covariance'"),
        (column("covariance", [[1.0, 0.5], [0.0, 1.0]]), "is not a covariance"),
        (column("covariance", [[1.0, 2.0], [2.0, 1.0]]), "is not a covariance"),
        (column("covariance", [[-1.0, 0.0], [0.0, 1.0]]), "is not a covariance"),
        (column("range_pa", [5, 5]), "bad 'range_pa'"),
        (column("residual_sd_pa", -1), "bad 'residual_sd_pa'"),
        (column("hysteresis_pa", "small"), "bad 'hysteresis_pa'"),
        (column("shared", {"ruler": [1]}), "bad 'shared ruler'"),
        (column("points", {}), "bad 'points'"),
        (column("points", [{"x": {"y": 1}}]), "bad 'points'"),
        (column("more", [[1]]), "bad 'more'"),
        (column("more", "x" * 201), "bad 'more'"),
        (column("p_value", "low"), "bad 'p_value'"),
        (column("sources_pa", {"ruler": "much"}), "bad 'ruler'"),
        (column("sources_pa", 3), "bad 'sources_pa'"),
        (column("points", [{"height_mm": "high"}]), "bad 'height_mm'"),
        (column("points", [{"direction": 1}]), "bad 'direction'"),
        (changed("fluid", {"density_kg_m3": "998"}), "bad 'density_kg_m3'"),
        (changed("fluid", {"name": ["water"]}), "bad 'fluid'"),
    ],
)
def test_what_is_refused(tmp_path, data, said):
    with pytest.raises(CalibrationError) as caught:
        Calibration.from_json(written(tmp_path, data))
    assert said in str(caught.value)
    assert "\n" not in str(caught.value)


@pytest.mark.parametrize(
    "key",
    sorted(set(MINIMAL["columns"]["p1"]) - {"points", "hysteresis_pa", "repeatability_pa", "linearity_pa"}),
)
def test_a_missing_key_of_a_column_is_named(tmp_path, key):
    data = copy.deepcopy(MINIMAL)
    del data["columns"]["p1"][key]
    with pytest.raises(CalibrationError, match=f"calibration.json, p1: bad '{key}'"):
        Calibration.from_json(written(tmp_path, data))


def test_findings_of_a_file_with_only_the_keys_of_the_format(tmp_path):
    lines = details(Calibration.from_json(written(tmp_path, MINIMAL)))
    assert lines[0] == "water, g = 9.80665 m/s2"
    [row] = [line for line in lines if line.startswith("p1")]
    assert row == "p1  +1.50(0.5) +1.0200(0.001) x    0.80     1.10        not shown   0.40"


def test_a_file_too_large(tmp_path):
    with pytest.raises(CalibrationError, match="too large"):
        Calibration.from_json(written(tmp_path, " " * 4_000_001))


def test_no_file(tmp_path):
    with pytest.raises(CalibrationError, match="cannot be read"):
        Calibration.from_json(tmp_path / "none.json")


def test_no_folder_to_write_to(tmp_path):
    calibration = Calibration.from_json(written(tmp_path, MINIMAL))
    with pytest.raises(CalibrationError, match="cannot be written"):
        calibration.to_json(tmp_path / "none" / "c.json")
