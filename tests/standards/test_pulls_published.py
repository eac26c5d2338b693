"""Lines of pulls against an independent fit, and the friction of contacts worked by hand."""

from __future__ import annotations

import math
import warnings

import numpy as np
import pytest

from fakes.cars import bare_car
from undertray.predict.drag import conclude
from undertray.predict.drivable import drivable_window
from undertray.predict.pullfit import Balance, Measured, Scatter, Span, fit_pulls
from undertray.reduce.pulls import Pull, Suction

with warnings.catch_warnings():
    warnings.simplefilter("ignore")
    odr = pytest.importorskip("scipy.odr")

WEIGHT_N = 20.0
ALWAYS = ("suction_scale", "rolling_share")


def test_a_line_of_pulls_is_that_of_orthogonal_distance_regression() -> None:
    rng = np.random.default_rng(4)
    at_n = np.repeat([0.0, 15.0, 30.0, 45.0, 60.0], 2)
    u_n, step = np.where(at_n > 0, 1.5, 1e-6), 0.5
    read = 3.0 + 0.2 * at_n + rng.normal(0, 0.15, len(at_n))
    felt = at_n + rng.normal(0, 1, len(at_n)) * u_n
    pulls = [
        (Pull(None, 1500.0, y, "moving", "free"), Suction(x, u))
        for x, u, y in zip(felt.tolist(), u_n.tolist(), read.tolist(), strict=True)
    ]
    measured, _, _ = fit_pulls(pulls, WEIGHT_N, Balance(0.0, step, 0.0), 0.0)
    u_y = step / math.sqrt(12)
    peer = odr.ODR(
        odr.RealData(felt, read, sx=u_n, sy=np.full(len(read), u_y)),
        odr.Model(lambda beta, x: beta[0] + beta[1] * x),
        beta0=[2.0, 0.3],
    ).run()
    # ODRPACK reaches 5 to 7 digits
    assert measured["moving.free.level_n"] == pytest.approx(peer.beta[0], rel=1e-5)
    assert measured["moving.free.per_n"] == pytest.approx(peer.beta[1], rel=1e-5)
    # its standard errors carry the scatter of the residuals, as ours do with 8 degrees of freedom;
    # they are taken at the readings, ours at the adjusted points
    assert np.sqrt(np.diag(measured.covariance()))[:2] == pytest.approx(peer.sd_beta, rel=0.05)


def known(numbers: dict[str, float], relative: float = 1e-3) -> Measured:
    n = len(numbers)
    rows = tuple(
        tuple((relative * value) ** 2 if i == j else 0.0 for j in range(n))
        for i, value in enumerate(numbers.values())
    )
    return Measured(tuple(numbers), tuple(numbers.values()), (Scatter(rows),), {})


def test_friction_of_two_contacts_worked_by_hand() -> None:
    # derived: W 20 N, 0.3 of the suction on the skirt, 0.9 tyres, 0.4 skirt, 0.02 rolling. At 50 N of suction
    # tyres carry 20 + 35 = 55 N and the skirt 15 N: locked 49.5 + 6 = 55.5 N, free 1.1 + 6 = 7.1 N. Without
    # suction 18 N and 0.4 N. So slopes of (55.5 - 18)/50 = 0.75 and (7.1 - 0.4)/50 = 0.134.
    numbers = {
        "moving.free.level_n": 0.4,
        "moving.free.per_n": 0.134,
        "moving.locked.level_n": 18.0,
        "moving.locked.per_n": 0.75,
        "suction_scale": 1.0,
        "rolling_share": 1.0,
    }
    spans = [Span("moving", wheels, 8, 0.0, 50.0) for wheels in ("free", "locked")]
    found = conclude("c", "r", WEIGHT_N, True, known(numbers), spans)
    assert found.share is not None
    assert found.share.mean == pytest.approx(0.3, abs=1e-12)
    [one] = found.frictions
    assert one.tyre_mu is not None
    assert one.skirt_mu is not None
    assert one.tyre_mu.mean == pytest.approx(0.9)
    assert one.skirt_mu.mean == pytest.approx(0.4)
    at_50 = found.force_n(50.0)
    assert at_50 is not None
    assert at_50.mean == pytest.approx(7.1)
    # derived: with the skirt alone each of the other ways gives the same share
    for wheels in ("free", "locked"):
        some = {k: v for k, v in numbers.items() if wheels in k or k in ALWAYS} | {"moving.none.mu": 0.4}
        told = conclude("c", "r", WEIGHT_N, True, known(some), spans)
        assert told.share is not None
        assert told.share.mean == pytest.approx(0.3, abs=1e-12)


def test_pulls_that_contradict_one_another_are_told() -> None:
    # derived: as above, but the skirt alone rubs half as much as it does on the car
    numbers = {
        "moving.free.level_n": 0.4,
        "moving.free.per_n": 0.134,
        "moving.locked.level_n": 18.0,
        "moving.locked.per_n": 0.75,
        "moving.none.mu": 0.2,
        "rolling_share": 1.0,
    }
    found = conclude("c", "r", WEIGHT_N, True, known(numbers), [])
    assert any("do not agree" in one for one in found.notices)


def test_an_interval_is_that_of_the_law_of_propagation() -> None:
    # published: GUM H.2 has R = V cos(phi)/I of V 4.9990(32), I 19.661(95) mA, phi 1.04446(75) rad with
    # r(V,I) -0.36, r(V,phi) 0.86, r(I,phi) -0.65: R = 127.732 ohm, u = 0.071 ohm
    u = np.array([0.0032, 9.5e-6, 0.00075])
    r = np.array([[1, -0.36, 0.86], [-0.36, 1, -0.65], [0.86, -0.65, 1]])
    rows = tuple(map(tuple, (r * np.outer(u, u)).tolist()))
    found = Measured(("v", "i", "phi"), (4.9990, 19.661e-3, 1.04446), (Scatter(rows),), {}).estimate(
        lambda m: m["v"] * math.cos(m["phi"]) / m["i"]
    )
    assert found.mean == pytest.approx(127.732, abs=5e-4)
    assert found.u95 is not None
    assert found.u95 / 1.959964 == pytest.approx(0.071, abs=0.002)  # the inputs are rounded to two digits


def test_the_scale_of_the_taps_drops_out_of_the_window_on_the_ground() -> None:
    # derived: pulls and window read the same suction; what that is off by stretches both alike
    rng = np.random.default_rng(6)
    pulls = []
    for wheels, level, slope in (("free", 0.6, 0.55), ("locked", 18.0, 0.75)):
        for at_n in (0.0, 20.0, 40.0, 60.0) * 3:
            read = (level + slope * at_n) * (1 + 0.02 * rng.standard_normal())
            pulls.append((Pull(None, 1500.0, read, "moving", wheels), Suction(at_n, 0.0)))
    floor = [(0, -100), (300, -100), (300, 100), (0, 100)]
    car = bare_car(floor, [(150, 0)], mass_kg=WEIGHT_N / 9.80665, wheelbase_mm=300.0)
    edges = []
    for share in (1e-4, 0.1):
        measured, spans, _ = fit_pulls(pulls, WEIGHT_N, Balance(), share)
        drag = conclude("c", "r", WEIGHT_N, True, measured, spans)
        edges.append(drivable_window(car, drag, 0.0).locks)
        assert drag.share is not None
    one, other = edges
    assert one is not None
    assert other is not None
    assert other.at_pa == pytest.approx(one.at_pa, rel=0.01)  # the fit sees a little of it: second order
    assert other.low_pa == pytest.approx(one.low_pa, rel=0.01)
    assert other.high_pa == pytest.approx(one.high_pa, rel=0.01)
