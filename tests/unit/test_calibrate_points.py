"""Points from a CSV file: what is taken, and what is refused with its line."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from undertray.calibrate.points import read_points
from undertray.errors import CalibrationError

GOOD = "height_mm,direction,p1_pa,p2_pa\n0,up,1.5,-2\n50.5,up,490,480\n50.5,down,491,482\n"


@pytest.fixture
def points_file(tmp_path):
    def write(text):
        path = tmp_path / "points.csv"
        path.write_bytes(text if isinstance(text, bytes) else text.encode())
        return path

    return write


def test_good(points_file):
    points = read_points(points_file("# from the bench\r\n" + GOOD.replace("\n", "\r\n") + "\r\n"))
    assert points.columns == ("p1", "p2")
    assert points.height_mm.tolist() == [0, 50.5, 50.5]
    assert points.upward.tolist() == [True, True, False]
    assert points.nominal_pa.tolist() == [[1.5, -2], [490, 480], [491, 482]]


@pytest.mark.parametrize(("unit", "mm"), [("mm", 1.0), ("cm", 10.0), ("in", 25.4)])
def test_heights_in_other_units(points_file, unit, mm):
    points = read_points(points_file(GOOD.replace("height_mm", f"height_{unit}")))
    np.testing.assert_allclose(points.height_mm, [0, 50.5 * mm, 50.5 * mm], rtol=1e-15)


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("", "no points"),
        ("height_m,direction,p1_pa\n", "line 1: the header is another"),
        ("height_mm,direction\n", "line 1: the header is another"),
        ("height_mm,direction,p1\n", "line 1: the header is another"),
        ("height_mm,direction,p1_pa,p1_pa\n", "line 1: the header is another"),
        ("height_mm,direction," + ",".join(f"p{i}_pa" for i in range(17)) + "\n", "header is another"),
        (GOOD + "60,up,1\n", "line 5: wrong number of fields, got '60,up,1', expected 4 fields"),
        (GOOD + "60,up,1,2,3\n", "line 5: wrong number of fields"),
        (GOOD + "60,sideways,1,2\n", "line 5: bad direction, got 'sideways', expected 'up' or 'down'"),
        (GOOD + "sixty,up,1,2\n", "line 5: bad column height, got 'sixty'"),
        (GOOD + "-60,up,1,2\n", "line 5: column height out of range, got '-60.0', expected 0 to 10000"),
        (GOOD + "60,up,,2\n", "line 5: bad nominal suction in Pa, got ''"),
        (GOOD + "60,up,nan,2\n", "line 5: bad nominal suction in Pa, got 'nan'"),
        (GOOD + "60,up,inf,2\n", "line 5: bad nominal suction in Pa"),
        (GOOD + "60,up,1e7,2\n", "line 5: bad nominal suction in Pa"),
        (GOOD + '60,up,"1,2\n', "line 5: malformed CSV"),
        (GOOD + "60,up,\x1b[31m,2\n", r"got '\x1b[31m'"),
        (b"\xff\xfe\x00", "not text"),
        (GOOD + "1,up,1,1\n" * 1000, "too many points, got '1003'"),
        (GOOD + "1,up,1,1\n" * 200_000, "too large"),
    ],
)
def test_bad(points_file, text, said):
    with pytest.raises(CalibrationError) as caught:
        read_points(points_file(text))
    assert said in str(caught.value)
    assert str(caught.value).startswith("points.csv")
    assert "\n" not in str(caught.value)
    assert "\x1b" not in str(caught.value)


def test_no_file(tmp_path):
    with pytest.raises(CalibrationError, match="cannot be read"):
        read_points(tmp_path / "none.csv")


@given(st.binary(max_size=300))
def test_any_bytes_give_points_or_one_line(tmp_path_factory, data):
    path = tmp_path_factory.mktemp("any") / "points.csv"
    path.write_bytes(b"height_mm,direction,p1_pa\n" + data)
    line = ""
    try:
        read_points(path)
    except CalibrationError as error:
        line = str(error)
    assert "\n" not in line
