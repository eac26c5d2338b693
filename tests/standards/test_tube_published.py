"""The tube model against published values, a reference library and its own limits.

H. Bergh and H. Tijdeman, Theoretical and experimental results for the dynamic response of pressure
measuring systems, NLR-TR F.238 (1965).
"""

from __future__ import annotations

import dataclasses

import numpy as np
import pytest
from scipy.special import jv

from fakes.cars import bare_car
from undertray.reduce.car import Tap
from undertray.reduce.tube import Air, Tube, pressure_ratio, tap_tubes, tube_notices


def test_the_published_vector() -> None:
    # published to 8 decimals in the documentation of the open-source package TubePressure.jl
    air = Air(pressure_pa=93000.0, viscosity_pa_s=1.82e-5, prandtl=0.707)
    got = pressure_ratio([300.0, 180.0], [(700, 1)], 10.0, air)
    assert got == pytest.approx([-0.08575011 + 0.93629833j, -0.76722289 - 0.12088664j], abs=1e-8)


# read off figure 9 of the report by the same package's authors: bore mm, gain, frequency; they found other
# points of the figure within 7 %, which is how well a printed curve can be read
@pytest.mark.parametrize(("bore", "gain", "at_hz"), [(2.5, 6.00, 138.0), (1.0, 1.61, 76.0)])
def test_figure_9_of_the_report(bore: float, gain: float, at_hz: float) -> None:
    tube = Tube.of(500.0, bore, 300.0)
    assert tube.peak_gain == pytest.approx(gain, rel=0.07)
    assert tube.peak_hz == pytest.approx(at_hz, rel=0.07)


# computed outside this project by the same published equations with scipy's Bessel functions, for 20 degC,
# 101325 Pa, mu 1.81e-5, Pr 0.71: length, bore, volume; peak Hz, gain, within 5 % up to Hz, ms late at 10 Hz
COMPUTED = [
    (300, 2, 100, 234, 6.3, 44, 0.08),
    (300, 2, 300, 198, 6.0, 38, 0.10),
    (150, 2, 100, 442, 8.9, 84, 0.02),
    (300, 1, 100, 166, 2.6, 36, 0.42),
    (300, 0.8, 100, 136, 1.7, 34, 0.79),
    (500, 2, 100, 142, 4.8, 27, 0.20),
    (1000, 2, 100, 69, 3.2, 14, 0.78),
]


@pytest.mark.parametrize(("length", "bore", "volume", "peak", "gain", "trust", "late_ms"), COMPUTED)
def test_table_of_plain_tubes(
    length: float, bore: float, volume: float, peak: float, gain: float, trust: float, late_ms: float
) -> None:
    tube = Tube.of(length, bore, volume)
    # half a unit of the last digit printed, and the step of 0.5 Hz
    assert tube.peak_hz == pytest.approx(peak, abs=1.0)
    assert tube.peak_gain == pytest.approx(gain, abs=0.051)
    assert tube.trust_hz == pytest.approx(trust, abs=1.0)
    assert tube.delay_s * 1e3 == pytest.approx(late_ms, abs=0.0051)


def test_second_order_estimate() -> None:
    tube = Tube.of(300.0, 2.0, 100.0)
    # computed outside this project by the printed formula
    assert tube.natural_hz == pytest.approx(234.0, abs=0.5)
    assert tube.damping == pytest.approx(0.041, abs=5e-4)


# computed outside this project as above: pieces from the tap on, each with 290 or 2 x 150 mm of 2 mm tube;
# peak Hz, gain, within 5 % up to Hz, -3 dB at Hz
CHAINED = {
    "0.5 x 20 at the tap": ([(20, 0.5), (290, 2)], None, 1.0, 37, 126),
    "0.4 x 5 at the tap": ([(5, 0.4), (290, 2)], 103, 1.03, 160, 238),
    "0.4 x 10 half way": ([(150, 2), (10, 0.4), (150, 2)], 603, 1.03, 124, 204),
    "0.4 x 10 at the sensor": ([(290, 2), (10, 0.4)], 238, 5.3, 43, None),
}


@pytest.mark.parametrize("case", CHAINED)
def test_table_of_capillaries(case: str) -> None:
    pieces, peak, gain, trust, half_power = CHAINED[case]
    f_hz = np.arange(0.5, 700.0, 0.5)
    size = np.abs(pressure_ratio(f_hz, pieces, 100.0))
    # half a unit of the last digit, and the step
    assert size.max() == pytest.approx(gain, abs=0.051)
    assert f_hz[np.argmax(np.abs(size - 1) > 0.05)] == pytest.approx(trust, abs=1.0)
    if peak is not None:
        assert f_hz[size.argmax()] == pytest.approx(peak, abs=1.0)
    if half_power is not None:
        assert f_hz[np.argmax(size < 0.5**0.5)] == pytest.approx(half_power, abs=1.0)


def test_bessel_ratio_against_scipy() -> None:
    # through the whole model: a tube written out with scipy's functions
    f_hz, radius, length, volume = np.geomspace(0.5, 2000, 60), 3e-3, 0.4, 50e-9
    air = Air()
    w = 2 * np.pi * f_hz
    alpha = 1j**1.5 * radius * np.sqrt(air.density_kg_m3 * w / air.viscosity_pa_s)
    hot = alpha * np.sqrt(air.prandtl)
    n = 1 / (1 + 0.4 / 1.4 * jv(2, hot) / jv(0, hot))
    phi = w / air.sound_m_s * np.sqrt(jv(0, alpha) / jv(2, alpha)) * np.sqrt(1.4 / n)
    tube_m3 = np.pi * radius**2 * length
    whole = 1 / (np.cosh(phi * length) + volume / tube_m3 / 1.4 * n * phi * length * np.sinh(phi * length))
    assert pressure_ratio(f_hz, [(400, 6)], 50.0) == pytest.approx(whole, rel=1e-9)


def test_two_pieces_are_one_tube() -> None:
    f_hz = [1.0, 50.0, 234.0, 700.0]
    one = pressure_ratio(f_hz, [(300, 2)], 100.0)
    assert pressure_ratio(f_hz, [(120, 2), (180, 2)], 100.0) == pytest.approx(one, rel=1e-10)


def test_a_tube_that_lets_nothing_through_stays_finite() -> None:
    got = pressure_ratio([1.0, 1000.0], [(10_000, 0.05)], 1000.0)
    assert np.isfinite(got).all()
    assert np.abs(got).max() < 1e-3


def _car(*tubes: tuple[float | None, float | None]):
    car = bare_car([(0, 0), (100, 0), (100, 100), (0, 100)], [(10 + 20 * i, 50) for i in range(len(tubes))])
    taps = [
        dataclasses.replace(t, tube_length_mm=length, tube_bore_mm=bore)
        for t, (length, bore) in zip(car.taps, tubes, strict=True)
    ]
    assert all(isinstance(t, Tap) for t in taps)
    return dataclasses.replace(car, taps=tuple(taps))


def test_ringing_above_half_the_rate_is_said_with_the_frequency_it_is_seen_at() -> None:
    (said,) = tube_notices(_car((300, 2), (300, 2)), 200.0)
    # derived: a tone above half the rate is seen mirrored at |f - n rate|, 234.5 - 200
    assert "all taps" in said
    assert "rings at 23" in said
    assert "show as 34 Hz" in said or "show as 35 Hz" in said
    assert tube_notices(_car((300, 2), (300, 2)), 1000.0) == []


def test_unequal_tubes_are_said_and_missing_ones_are_not_guessed() -> None:
    car = _car((300, 2), (1000, 2), (None, 2))
    assert list(tap_tubes(car)) == ["t0", "t1"]
    said = tube_notices(car, 1000.0)
    # derived: 0.78 ms less 0.08 ms of the table above
    assert said == [
        "the tubes are not equal: taps are seen up to 0.7 ms apart, and an order of collapse within that "
        "says nothing"
    ]
    assert tube_notices(_car((None, None)), 200.0) == []
