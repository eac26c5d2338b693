"""Springs and ride against statics worked by hand, against the least energy, and against a body let go.

Sources: equilibrium of a rigid body on two supports, Hooke's law and moments about a hinge (any textbook of
statics). 1 lbf/in = 4.4482216152605 N / 25.4 mm exactly (international pound and inch, standard gravity).
"""

from __future__ import annotations

import json
import math
from pathlib import Path

import numpy as np
import pytest
from scipy.optimize import brentq, minimize

from fakes.program import undertray
from fakes.springbench import Body, rest_gaps_m
from undertray.predict.axleloads import AxleLoads, LoadLevel, even_loads
from undertray.predict.draws import COUNT, Draws, interval
from undertray.predict.rideheight import Feeler, feeler_of, read_feelers, ride
from undertray.reduce.car import Car
from undertray.units import UnitError, quantity

G = 9.80665
SPRINGS = """
[ride]
front_rate = "6 N/mm"
rear_rate = "8 N/mm"
front_clearance = "3 mm"
rear_clearance = "2.5 mm"
"""


def car_text(extra: str = SPRINGS, floor: str = "[[0, -100], [300, -100], [300, 100], [0, 100]]") -> str:
    return (
        'format = 1\nname = "Heron (invented)"\nmass = 2\nwheelbase = 300\nfront_weight = 0.6\n'
        f'floor = {floor}\nsurface_angle = 180\n[[tap]]\nname = "a"\ncolumn = "p1"\nx = 150\ny = 0\n{extra}'
    )


def car(folder: Path, extra: str = SPRINGS, **more: str) -> Car:
    path = folder / "car.toml"
    path.write_text(car_text(extra, **more), encoding="utf-8")
    return Car.from_toml(path)


def test_sink_gap_and_rates_by_hand(tmp_path: Path) -> None:
    # derived: an even 1000 Pa on 0.3 m x 0.2 m is 60 N, 30 N an axle. Upside down each spring bears 2 f W
    # less than at rest: 0.6 and 0.4 of 2 x 19.6133 N
    found = ride(car(tmp_path), even_loads(car(tmp_path), [1000.0]), keep_mm=1.0)
    front, rear = 30 - 1.2 * 2 * G, 30 - 0.8 * 2 * G
    (level,) = found.levels
    assert level.axles["front"].load_n.value == pytest.approx(30, rel=1e-12)
    assert level.axles["front"].sink_mm.value == pytest.approx(front / 6, rel=1e-12)
    assert level.axles["rear"].gap_mm.value == pytest.approx(2.5 - rear / 8, rel=1e-12)
    assert found.rate_needed_n_mm["front"].value == pytest.approx(front / 2, rel=1e-12)
    assert found.rate_needed_n_mm["rear"].value == pytest.approx(rear / 1.5, rel=1e-12)
    # the rear is down to the ground where 0.03 N/Pa p - 0.8 W = 8 x 2.5 N, the front where 6 x 3 N are left
    rear_pa, front_pa = (8 * 2.5 + 0.8 * 2 * G) / 0.03, (6 * 3 + 1.2 * 2 * G) / 0.03
    assert found.bottoms_pa.value == pytest.approx(min(rear_pa, front_pa), rel=1e-12)
    assert found.bottoms_at == ("rear" if rear_pa < front_pa else "front")


@pytest.mark.parametrize("angle", [0.0, 90.0, 135.0, 180.0])
def test_the_place_of_least_energy_is_where_it_stands(tmp_path: Path, angle: float) -> None:
    """Independent: scipy finds the least potential energy of springs, weight and pushes."""
    from dataclasses import replace

    turned = replace(car(tmp_path), surface_angle_deg=angle)
    loads = AxleLoads("", (LoadLevel(None, 800.0, 21.0, 33.0),))
    found = ride(turned, loads).levels[0].axles
    weight_n, change = 2 * G, math.cos(math.radians(angle)) - 1

    def energy(z: np.ndarray) -> float:
        spring = 0.5 * (6 * z[0] ** 2 + 8 * z[1] ** 2)
        work = (21 + 0.6 * weight_n * change) * z[0] + (33 + 0.4 * weight_n * change) * z[1]
        return float(spring - work)

    best = minimize(energy, [0.0, 0.0], method="BFGS", options={"gtol": 1e-10}).x
    # a minimiser knows a place to the root of its precision
    assert [found[name].sink_mm.value for name in ("front", "rear")] == pytest.approx(best.tolist(), abs=1e-6)


def test_a_body_let_go_comes_to_rest_there(tmp_path: Path) -> None:
    found = ride(car(tmp_path), even_loads(car(tmp_path), [1000.0])).levels[0]
    body = Body(2.0, 0.6, 0.3, 0.2, (3e3, 3e3, 4e3, 4e3), (3e-3, 2.5e-3), 180.0)
    x, y = np.array([0.075, 0.225]), np.zeros(2)
    front, rear = rest_gaps_m(body, x, y, np.array([30.0, 30.0]), np.array([1.0]))
    # it is waited for until 1e-6 N are left of 6000 N/m
    assert found.axles["front"].gap_mm.value == pytest.approx(1e3 * front[0], abs=1e-5)
    assert found.axles["rear"].gap_mm.value == pytest.approx(1e3 * rear[0], abs=1e-5)


def test_how_far_the_skirt_still_reaches(tmp_path: Path) -> None:
    from dataclasses import replace

    reaching = replace(car(tmp_path), skirt_travel_mm=3.0)
    (level,) = ride(reaching, even_loads(reaching, [1000.0])).levels
    # derived: 3 mm of travel from the stops, less what it stands above them at its middle
    gaps = [level.axles[name].gap_mm.value for name in ("front", "rear")]
    assert level.reach_mm is not None
    assert level.reach_mm.value == pytest.approx(3.0 - sum(gaps) / 2, rel=1e-12)


def test_an_overhang_meets_the_surface_before_its_axle(tmp_path: Path) -> None:
    long = car(tmp_path, floor="[[-150, -100], [300, -100], [300, 100], [-150, 100]]")
    loads = AxleLoads("", (LoadLevel(None, 800.0, 40.0, 5.0),))
    found = ride(long, loads)
    front, rear = (found.levels[0].axles[name].gap_mm.value for name in ("front", "rear"))
    # derived: a straight line through both axles, half a wheelbase further forward
    assert found.levels[0].least_gap_mm.value == pytest.approx(1.5 * front - 0.5 * rear, rel=1e-12)
    assert found.bottoms_at == "front"


def test_a_flap_comes_off_where_its_moments_say(tmp_path: Path) -> None:
    skirt = 'skirt_area = "9000 mm2"\nskirt_preload = "2 N"\nskirt_rate = "0.4 N/mm"\nskirt_lever = 0.5\n'
    found = ride(car(tmp_path, SPRINGS + skirt), even_loads(car(tmp_path), [400.0, 900.0]))

    def moment_about_the_hinge(pa: float) -> float:
        # derived: a flap of length 1, suction even on it: its middle at 0.5, the spring's force at its edge
        strips = (np.arange(1000) + 0.5) / 1000
        lifts = float((pa * 9000e-6 / 1000 * strips).sum())
        sink = ((0.03 * pa - 1.2 * 2 * G) / 6 + (0.03 * pa - 0.8 * 2 * G) / 8) / 2
        return 2 + 0.4 * sink - lifts

    assert found.skirt_up_pa is not None
    sinks = 0.4 * (0.03 / 6 + 0.03 / 8) / 2 - 0.5 * 9000e-6  # N/Pa: below 0, so it comes off somewhere
    assert sinks < 0
    up_pa = brentq(moment_about_the_hinge, 0, 1e5)
    assert found.skirt_up_pa.value == pytest.approx(up_pa, rel=1e-9)
    assert found.preload_needed_n is not None
    assert found.preload_needed_n.value == pytest.approx(2 - moment_about_the_hinge(900.0), rel=1e-9)


def test_each_rate_may_be_of_a_wheel_and_in_pounds_an_inch(tmp_path: Path) -> None:
    # published: 1 lbf = 4.4482216152605 N, 1 in = 25.4 mm
    rates = 'front_rate = "40 lbf/in"\nrear_rate = "350 gf/mm"\n'
    heights = 'front_clearance = "0.12 in"\nrear_clearance = "2 mm"\n'
    springs = car(tmp_path, f'[ride]\nrate_of = "wheel"\n{rates}{heights}').ride
    assert springs is not None
    assert springs.front_n_mm == pytest.approx(2 * 40 * 4.4482216152605 / 25.4, rel=1e-12)
    assert springs.rear_n_mm == pytest.approx(2 * 0.350 * G, rel=1e-12)
    assert springs.front_clearance_mm == pytest.approx(3.048, rel=1e-12)


@pytest.mark.parametrize(
    ("line", "said"),
    [
        ("front_rate = 6", "without its unit"),
        ('front_rate = "6 N"', "not a unit of stiffness"),
        ('front_rate = "0 N/mm"', "out of range"),
        ('front_rate = "6 N/mm"\nspring = 3', "unknown key"),
        ('front_rate = "6 N/mm"\nskirt_area = "100 mm2"', "'skirt_preload' is missing"),
        ('front_rate = "6 N/mm"\nrate_of = "corner"', "axle or wheel"),
    ],
)
def test_springs_that_cannot_be_are_one_line(tmp_path: Path, line: str, said: str) -> None:
    rest = 'rear_rate = "8 N/mm"\nfront_clearance = "3 mm"\nrear_clearance = "2.5 mm"\n'
    (tmp_path / "car.toml").write_text(car_text(f"[ride]\n{line}\n{rest}"), encoding="utf-8")
    done = undertray("ride", "--car", tmp_path / "car.toml", "--suction", "900 Pa")
    assert done.returncode == 1
    assert done.stdout == ""
    (told,) = done.stderr.splitlines()
    assert said in told
    with pytest.raises(UnitError):
        quantity("3 N/mm", "mm", "here")


def test_readings_are_compared_and_correct_nothing_unless_asked(tmp_path: Path) -> None:
    (tmp_path / "car.toml").write_text(car_text(), encoding="utf-8")
    gaps = tmp_path / "gaps.csv"
    # derived: with front springs of 9 N/mm, not 6, an even p leaves 3 - (0.03 p - 1.2 W)/9
    rows = [(pa, 3 - (0.03 * pa - 1.2 * 2 * G) / 9) for pa in (1000.0, 1300.0)]
    gaps.write_text("suction_pa,axle,gap_mm\n" + "".join(f"{pa},front,{gap:.9f}\n" for pa, gap in rows))
    given = ("ride", "--car", tmp_path / "car.toml", "--suction", "1300 Pa", "--feelers", gaps)
    plain, right = (json.loads(undertray(*given, "--json", *more).stdout) for more in ((), ("--correct",)))
    # derived: 0.36 and 0.86 mm apart; rates to 10 %, clearances to 0.1 mm and the gauge to 0.05 mm make 0.19
    # and 0.30 at most if all were off at once
    assert [check["within"] for check in plain["checks"]] == [False, False]
    assert plain["rate_n_mm"]["front"]["value"] == 6
    assert not plain["corrected"]
    assert right["rate_n_mm"]["front"]["value"] == pytest.approx(9.0, rel=1e-6)
    assert right["levels"][0]["axles"]["front"]["gap_mm"]["value"] == pytest.approx(rows[1][1], abs=1e-6)
    assert right["checks"] == plain["checks"]
    words = undertray(*given).stdout
    assert "NOT within" in words
    assert "nothing is corrected" in words


def test_units_of_the_answer(tmp_path: Path) -> None:
    (tmp_path / "car.toml").write_text(car_text(), encoding="utf-8")
    given = ("ride", "--car", tmp_path / "car.toml", "--suction", "4 inH2O")
    si, us = (undertray(*given, "--units", name).stdout for name in ("si", "us"))
    assert "N/mm" in si
    assert " mm" in si
    assert "lbf/in" in us
    assert "lbf" in us
    assert " N" not in us
    assert undertray(*given).stdout == si  # the same inputs, the same bytes


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("throttle,axle,gap_mm\n1,front,1\n", "unknown header"),
        ("throttle_us,axle,gap_mm\n1600,middle,1\n", "no gap"),
        ("throttle_us,axle,gap_mm\n1600,front,-1\n", "no gap"),
        ("throttle_us,axle,gap_mm\n1600,front,nan\n", "no gap"),
        ("throttle_us,axle,gap_mm\n1600,front\n", "no gap"),
        ("throttle_us,axle,gap_mm\n", "no file of gaps"),
        ("throttle_us,axle,gap_mm\n1600,front,1\n", "was not steady at the throttle"),
    ],
)
def test_what_is_no_gap_is_one_line(tmp_path: Path, text: str, said: str) -> None:
    (tmp_path / "car.toml").write_text(car_text(), encoding="utf-8")
    (tmp_path / "gaps.csv").write_text(text, encoding="utf-8")
    given = ("--suction", "900 Pa", "--feelers", tmp_path / "gaps.csv")
    done = undertray("ride", "--car", tmp_path / "car.toml", *given)
    assert done.returncode == 1
    (told,) = done.stderr.splitlines()
    assert said in told


def test_gaps_of_a_file_and_of_an_option_are_read_alike(tmp_path: Path) -> None:
    path = tmp_path / "gaps.csv"
    path.write_text("# cold\nsuction_inh2o,axle,gap_in\n4,rear,0.05\n", encoding="utf-8")
    (one,) = read_feelers(path)
    other = feeler_of("4 inH2O,rear,0.05 in", "--feeler")
    # published: the conventional inch of water is 249.08891 Pa
    assert (one.suction_pa, one.gap_mm) == pytest.approx((4 * 249.08891, 1.27), rel=1e-7)
    assert (other.suction_pa, other.gap_mm) == pytest.approx((one.suction_pa, one.gap_mm), rel=1e-12)
    assert feeler_of("1600,front,1.2", "--feeler") == Feeler(1600.0, None, "front", 1.2)


def test_draws_are_as_wide_as_stated() -> None:
    draws = Draws()
    normal, flat = draws.normal(5.0, 2.0), draws.rectangle(5.0, 2.0)
    assert (normal[0], flat[0], len(normal)) == (5.0, 5.0, COUNT)
    found = interval(normal)
    # 4001 draws know their 2.5 % quantile to 0.042 standard deviations, 4.2 % of this half width: twice that
    assert (found.low, found.high) == pytest.approx((3.0, 7.0), abs=0.1)
    found = interval(flat)
    # ... and that of a rectangle to sqrt(0.025 x 0.975/4000) of its width: three times that
    assert (found.low, found.high) == pytest.approx((3.1, 6.9), abs=0.03)


def test_the_pages_own_example_is_read(tmp_path: Path) -> None:
    """What wiring/car.md shows of [ride] is a suspension."""
    page = (Path(__file__).parents[2] / "wiring" / "car.md").read_text(encoding="utf-8")
    example = page.partition("```toml\n[ride]")[2].partition("```")[0]
    springs = car(tmp_path, f"[ride]{example}").ride
    assert springs is not None
    assert springs.rate_within == pytest.approx(0.08)
