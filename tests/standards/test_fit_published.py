"""The project's own fit against published calibration examples."""

from __future__ import annotations

import dataclasses
import math

import numpy as np
import pytest

from undertray.calibrate.curve import hysteresis, levels, nonlinearity
from undertray.calibrate.fit import fit_polynomial

NINE_DIGITS = 1e-9


def columns(frame, *names):
    return tuple(frame[name].to_numpy(float) for name in names)


def test_norris(data_csv):
    # published: NIST StRD, linear regression, Norris, certified values (DOI 10.18434/T43G6C)
    x, y = columns(data_csv("nist_strd_norris.csv"), "x", "y")
    fit = fit_polynomial(x, y)
    np.testing.assert_allclose(fit.coefficients, [-0.262323073774029, 1.00211681802045], rtol=NINE_DIGITS)
    np.testing.assert_allclose(
        fit.standard_errors, [0.232818234301152, 0.429796848199937e-03], rtol=NINE_DIGITS
    )
    assert fit.residual_sd == pytest.approx(0.884796396144373, rel=NINE_DIGITS)
    assert fit.chi_squared == pytest.approx(26.6173985294224, rel=NINE_DIGITS)
    assert fit.dof == 34
    assert 1 - fit.chi_squared / np.sum((y - y.mean()) ** 2) == pytest.approx(
        0.999993745883712, rel=NINE_DIGITS
    )


def test_pontius(data_csv):
    # published: NIST StRD, linear regression, Pontius (load cell), certified values
    x, y = columns(data_csv("nist_strd_pontius.csv"), "x", "y")
    fit = fit_polynomial(x, y, degree=2)
    np.testing.assert_allclose(
        fit.coefficients,
        [0.673565789473684e-03, 0.732059160401003e-06, -0.316081871345029e-14],
        rtol=NINE_DIGITS,
    )
    np.testing.assert_allclose(
        fit.standard_errors,
        [0.107938612033077e-03, 0.157817399981659e-09, 0.486652849992036e-16],
        rtol=NINE_DIGITS,
    )
    assert fit.residual_sd == pytest.approx(0.205177424076185e-03, rel=NINE_DIGITS)
    assert fit.chi_squared == pytest.approx(0.155761768796992e-05, rel=NINE_DIGITS)


def test_gum_h3(data_csv):
    # published: JCGM 100:2008, H.3.3-H.3.5; computed to more digits by two outside routes
    t, b = columns(data_csv("gum_h3.csv"), "t_k", "b_k")
    fit = fit_polynomial(t - 20, b)
    printed = np.array([[-0.1712, 0.00218], [0.0029, 0.00067]])
    ours = np.array([fit.coefficients, fit.standard_errors])
    assert np.all(np.abs(ours - printed) < [5e-5, 5e-6])  # half a unit of the last printed digit
    np.testing.assert_allclose(fit.coefficients, [-0.171203790, 0.002182698], atol=6e-10)
    np.testing.assert_allclose(fit.standard_errors, [0.002877598, 0.000667939], atol=6e-10)
    correlation = fit.covariance[0, 1] / np.prod(fit.standard_errors)
    assert correlation == pytest.approx(-0.930, abs=5e-4)
    assert fit.residual_sd == pytest.approx(0.0035, abs=5e-5)
    assert fit.dof == 9
    assert float(fit.value(10.0)) == pytest.approx(-0.1494, abs=5e-5)  # b(30 degC)
    assert float(fit.standard_uncertainty(10.0)) == pytest.approx(0.0041, abs=5e-5)
    # without the covariance the same prediction would be uncertain by 0.0073: the term matters
    assert math.hypot(fit.standard_errors[0], 10 * fit.standard_errors[1]) > 0.007


# published: ISO/TS 28037:2010, 6.3 (ex1, ex2) and 7.4 (ex3), as printed
ISO_RESULTS = [
    ("ex1", (1.867, 1.757), (0.465, 0.120), -0.050, 1.665),
    ("ex2", (0.885, 2.057), (0.530, 0.178), -0.082, 4.131),
    ("ex3", (0.5788, 2.1597), (0.4764, 0.1355), -0.0577, 2.743),
]


@pytest.mark.parametrize(("example", "coefficients", "errors", "covariance", "chi_squared"), ISO_RESULTS)
def test_iso_ts_28037(data_csv, example, coefficients, errors, covariance, chi_squared):
    table = data_csv("iso_ts_28037_examples.csv")
    x, u_x, y, u_y = columns(table[table.example == example], "x", "u_x", "y", "u_y")
    fit = fit_polynomial(x, y, u_x=u_x, u_y=u_y)
    last = 5.1e-5 if example == "ex3" else 5.1e-4  # half a unit of the last printed digit
    np.testing.assert_allclose(fit.coefficients, coefficients, atol=last)
    np.testing.assert_allclose(fit.standard_errors, errors, atol=last)
    assert fit.covariance[0, 1] == pytest.approx(covariance, abs=last)
    assert fit.chi_squared == pytest.approx(chi_squared, abs=5.1e-4)


def test_iso_ts_28037_forward_use(data_csv):
    # derived from ex1 outside this project: x = 3.5 (u 0.2) gives 8.0167, u 0.4064
    table = data_csv("iso_ts_28037_examples.csv")
    x, y, u_y = columns(table[table.example == "ex1"], "x", "y", "u_y")
    fit = fit_polynomial(x, y, u_y=u_y)
    assert float(fit.value(3.5)) == pytest.approx(8.0167, abs=5.1e-5)
    assert float(fit.standard_uncertainty(3.5, 0.2)) == pytest.approx(0.4064, abs=5.1e-5)


def test_iso_ts_28037_annex_e_unknown_equal_errors(data_csv):
    # published: Annex E, standard errors from the scatter with 4 degrees of freedom (the
    # chi-squared quoted for it does not fit its own data, so it is left out)
    table = data_csv("iso_ts_28037_examples.csv")
    x, y = columns(table[table.example == "exE"], "x", "y")
    fit = fit_polynomial(x, y)
    np.testing.assert_allclose(fit.coefficients, [1.172, 1.964], atol=5.1e-4)
    np.testing.assert_allclose(fit.standard_errors, [0.159, 0.041], atol=5.1e-4)
    assert (fit.dof, fit.from_scatter) == (4, True)


def test_pearson_with_york_weights(data_csv):
    # published: York et al., Am. J. Phys. 72 (2004) 367, table II; standard errors at the
    # adjusted points, not scaled by the scatter
    x, wx, y, wy = columns(data_csv("pearson_york.csv"), "x", "wx", "y", "wy")
    fit = fit_polynomial(x, y, u_x=wx**-0.5, u_y=wy**-0.5)
    np.testing.assert_allclose(fit.coefficients, [5.47991022, -0.480533407], rtol=2e-9)
    np.testing.assert_allclose(fit.standard_errors, [0.29497, 0.057985], rtol=2e-5)
    assert fit.chi_squared == pytest.approx(11.8664, abs=5.1e-5)
    assert fit.enlarged().scale ** 2 == pytest.approx(1.48329415, rel=1e-6)
    # published: the same times sqrt(S / 8), as scipy.odr prints it (its sd_beta)
    np.testing.assert_allclose(fit.enlarged().standard_errors, [0.359247, 0.070620], atol=5.1e-7)


def test_pearson_unweighted(data_csv):
    # published: Pearson, Phil. Mag. 2 (1901) 559: regression of y on x
    x, y = columns(data_csv("pearson_york.csv"), "x", "y")
    np.testing.assert_allclose(fit_polynomial(x, y).coefficients, [5.7612, -0.5396], atol=5.1e-5)


def test_palencar_shared_errors(data_csv):
    # published: Palencar, Palencar, Witkovsky, Wimmer 2021: pressure transducer with errors
    # common to all points in both axes; all results stated there
    reading, pressure = columns(data_csv("palencar_pressure_transducer.csv"), "x_mA", "y_kPa")
    shared = {"standard": (0.0, 0.006), "meter": (0.0014, 0.0)}
    fit = fit_polynomial(reading, pressure, u_x=0.0038, u_y=0.006, shared=shared)
    np.testing.assert_allclose(fit.coefficients, [-15.0167, 3.7481], atol=5.1e-5)
    assert fit.standard_errors[0] == pytest.approx(0.0133, abs=5.1e-5)
    assert fit.standard_errors[1] == pytest.approx(8.4567e-4, abs=5.1e-9)
    assert fit.covariance[0, 1] == pytest.approx(-8.1970e-6, abs=5.1e-11)
    assert float(fit.value(7.4970)) == pytest.approx(13.0829, abs=5.1e-5)
    u = float(fit.standard_uncertainty(7.4970, math.hypot(0.0038, 0.0150)))
    assert u == pytest.approx(0.0588, abs=5.1e-5)
    # derived: chi-squared 25.8 with 11 degrees of freedom: the stated errors do not cover the scatter
    assert fit.chi_squared == pytest.approx(25.8, abs=0.05)
    assert fit.p_value < 0.01


def test_shared_errors_are_not_averaged_down(data_csv):
    # the same published points, each taken ten times over: what is common stays
    reading, pressure = columns(data_csv("palencar_pressure_transducer.csv"), "x_mA", "y_kPa")

    def offset_error(times, shared):
        fit = fit_polynomial(np.tile(reading, times), np.tile(pressure, times), u_y=0.006, shared=shared)
        return float(fit.standard_uncertainty(reading.mean()))

    assert offset_error(10, {}) == pytest.approx(offset_error(1, {}) / math.sqrt(10))
    common = {"standard": (0.0, 0.006)}
    assert offset_error(10, common) == pytest.approx(math.hypot(0.006, offset_error(10, {})))


def test_kessel_end_point_line(data_csv):
    # published: Kessel, Kacker, Sommer, Measurement 45 (2012) 1661, table 4 and 7
    table = data_csv("kessel_pressure_sensor.csv")
    pressure, reading, expanded = columns(table, "p_ref", "x", "U_k2")
    resolution = 0.00005 / math.sqrt(3)
    ends = [0, -1]
    fit = fit_polynomial(reading[ends], pressure[ends], u_x=resolution, u_y=1.15e-4 * pressure[ends])
    assert fit.coefficients[1] == pytest.approx(9.79912, abs=5.1e-6)
    np.testing.assert_allclose(fit.standard_errors, [0.00028, 0.00114], atol=5.1e-6)
    assert fit.covariance[0, 1] / np.prod(fit.standard_errors) == pytest.approx(-0.1212, abs=5.1e-5)
    # the worst non-linearity, half width 0.005 (rectangular), comes on top of the line
    u = np.hypot(fit.standard_uncertainty(reading, resolution), 0.005 / math.sqrt(3))
    # the table was computed from the line's uncertainties as rounded in the text (0.00114 is 0.33 %
    # below 0.0011438), so the unrounded ones agree to part of that only ...
    np.testing.assert_allclose(2 * u, expanded, rtol=1.4e-3)
    # ... and the rounded ones agree to the printed digits
    off = -0.1212 * 0.00028 * 0.00114
    rounded = dataclasses.replace(
        fit,
        coefficients=np.array([0.0, 9.79912]),
        independent_covariance=np.array([[0.00028**2, off], [off, 0.00114**2]]),
    )
    u = np.hypot(rounded.standard_uncertainty(reading, resolution), 0.005 / math.sqrt(3))
    np.testing.assert_allclose(2 * u, expanded, rtol=2e-6)


def test_kessel_nonlinearity_by_every_line(data_csv):
    # derived from the published points outside this project, per cent of the span of 20
    pressure, reading = columns(data_csv("kessel_pressure_sensor.csv"), "p_ref", "x")
    percent = {kind: 100 * value / np.ptp(reading) for kind, value in nonlinearity(pressure, reading).items()}
    assert percent == pytest.approx(
        {"terminal": 0.019598, "least squares": 0.013585, "independent": 0.009799, "zero-based": 0.013999},
        abs=5.1e-7,
    )


def test_pontius_curve_is_real(data_csv):
    # derived from the published points: a straight line leaves 0.197 % of the top reading
    x, y = columns(data_csv("nist_strd_pontius.csv"), "x", "y")
    line = fit_polynomial(x, y)
    np.testing.assert_allclose(line.coefficients, [0.006149684, 7.2210258e-07], rtol=1e-7)
    assert np.max(np.abs(line.residuals)) / y.max() == pytest.approx(0.00197, abs=5.1e-6)


def test_gauge_up_and_down(data_csv):
    # published: static calibration table of a university metrology course (see the file), 22 readings
    table = data_csv("textbook_gauge_updown.csv")
    true, up, down = columns(table, "true", "reading_up", "reading_down")
    x, y = np.tile(true, 2), np.concatenate([up, down])
    fit = fit_polynomial(x, y)
    np.testing.assert_allclose(fit.coefficients, [-0.852500, 1.083864], atol=5.1e-7)
    assert fit.residual_sd == pytest.approx(0.204278, abs=5.1e-7)
    at = levels(x, np.arange(22) < 11, y)
    assert hysteresis(at) == pytest.approx(0.61, abs=1e-12)
    assert len(at) == 11
