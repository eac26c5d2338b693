"""The tube between a tap and its sensor: where it rings, and up to which frequency it can be trusted."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import ArrayLike, NDArray

from undertray.reduce.car import Car

__all__ = ["SENSOR_VOLUME_MM3", "Air", "Tube", "pressure_ratio", "tap_tubes", "tube_notices"]

Complex = NDArray[np.complex128]

SENSOR_VOLUME_MM3 = 100.0
"""Volume behind the tube where car.toml gives none. Makers seldom print it: tens to hundreds of mm3."""
_R_AIR = 287.05  # J/(kg K), dry air
_TRUST = 0.05
_RINGS = 1.25  # gain above which a resonance is worth a word; from there on steps overshoot by a third
_STEP_HZ, _STEPS = 0.5, 8000
_DEAD_LINE = 300.0  # nepers: nothing comes through beyond, and numbers stay finite


@dataclass(frozen=True, slots=True)
class Air:
    """The air in a tube."""

    kelvin: float = 293.15
    pressure_pa: float = 101325.0
    viscosity_pa_s: float = 1.81e-5
    prandtl: float = 0.71
    gamma: float = 1.4

    @property
    def density_kg_m3(self) -> float:
        """Density, kg/m3."""
        return self.pressure_pa / (_R_AIR * self.kelvin)

    @property
    def sound_m_s(self) -> float:
        """Speed of sound, m/s."""
        return float(np.sqrt(self.gamma * _R_AIR * self.kelvin))


@dataclass(frozen=True, slots=True)
class Tube:
    """What one tube does to a pressure that moves.

    Attributes
    ----------
    length_mm, bore_mm, volume_mm3 : float
        Of the tube, and the volume at its end.
    natural_hz, damping : float
        Natural frequency and damping ratio of the second-order estimate.
    peak_hz, peak_gain : float or None
        Where the full model swings highest, and by how much; None where it swings nowhere.
    trust_hz : float
        Up to here the sensor reads within 5 % of the pressure at the tap.
    delay_s : float
        How late it reads at 10 Hz.
    """

    length_mm: float
    bore_mm: float
    volume_mm3: float
    natural_hz: float
    damping: float
    peak_hz: float | None
    peak_gain: float | None
    trust_hz: float
    delay_s: float

    @classmethod
    def of(
        cls, length_mm: float, bore_mm: float, volume_mm3: float = SENSOR_VOLUME_MM3, air: Air | None = None
    ) -> Tube:
        """Work out a plain tube.

        Parameters
        ----------
        length_mm, bore_mm : float
            Length and inner diameter, mm.
        volume_mm3 : float
            Volume behind it, mm3.
        air : Air or None
            The air in it; 20 degC and 101 325 Pa if left out.

        Returns
        -------
        Tube

        Notes
        -----
        With tube volume Vt and sensor volume V, the estimate takes the tube's air for one mass on the
        springs of half of itself and of V: ``f_n = a/(2 pi L sqrt(1/2 + V/Vt))`` and
        ``zeta = 16 mu L sqrt(1/2 + V/Vt)/(rho a d^2)``. It reads the first resonance well (to a tenth)
        and nothing above it. Everything else comes from :func:`pressure_ratio`.

        References
        ----------
        H. Bergh and H. Tijdeman, NLR-TR F.238 (1965).
        """
        air = air or Air()
        length_m, bore_m = length_mm * 1e-3, bore_mm * 1e-3
        filled = np.sqrt(0.5 + volume_mm3 * 1e-9 / (np.pi / 4 * bore_m**2 * length_m))
        # a long tube needs finer steps than a short one: a hundredth of its estimate, at most 0.5 Hz
        natural_hz = air.sound_m_s / (2 * np.pi * length_m * filled)
        f_hz = np.arange(1, _STEPS) * min(_STEP_HZ, natural_hz / 100)
        gain = np.abs(pressure_ratio(f_hz, [(length_mm, bore_mm)], volume_mm3, air))
        top = int(gain.argmax())
        off = np.abs(gain - 1) > _TRUST
        at_10_hz = pressure_ratio([10.0], [(length_mm, bore_mm)], volume_mm3, air)[0]
        return cls(
            length_mm=length_mm,
            bore_mm=bore_mm,
            volume_mm3=volume_mm3,
            natural_hz=float(natural_hz),
            damping=float(
                16 * air.viscosity_pa_s * length_m / (air.density_kg_m3 * air.sound_m_s * bore_m**2) * filled
            ),
            peak_hz=float(f_hz[top]) if gain[top] > 1 + _TRUST else None,
            peak_gain=float(gain[top]) if gain[top] > 1 + _TRUST else None,
            trust_hz=float(f_hz[off.argmax()]) if off.any() else float(f_hz[-1]),
            delay_s=float(-np.angle(at_10_hz) / (2 * np.pi * 10.0)),
        )


def pressure_ratio(
    f_hz: ArrayLike, segments_mm: Sequence[tuple[float, float]], volume_mm3: float, air: Air | None = None
) -> Complex:
    """Pressure at the sensor over pressure at the tap.

    Parameters
    ----------
    f_hz : array, shape (k,)
        Frequencies above 0, Hz.
    segments_mm : sequence of (float, float)
        Length and bore of each piece of tube, mm, from the tap on.
    volume_mm3 : float
        Closed volume at the end, mm3.
    air : Air or None
        The air in it; 20 degC and 101 325 Pa if left out.

    Returns
    -------
    ndarray of complex128, shape (k,)
        Its size is the gain, its angle the phase.

    Notes
    -----
    Rigid walls, laminar flow, small amplitudes. For each piece with radius R the shear wave number
    ``alpha = i^1.5 R sqrt(rho w/mu)`` gives the polytropic number ``n``, the propagation constant ``phi``
    and the wave impedance of the line; pieces are chained from the sensor back to the tap. Only the
    ratio J2/J0 of Bessel functions is needed, so no table of them is. Checked up to |alpha| = 60
    (6 mm bore at 2 kHz).

    References
    ----------
    H. Bergh and H. Tijdeman, Theoretical and experimental results for the dynamic response of
    pressure measuring systems, NLR-TR F.238 (1965).
    """
    air = air or Air()
    k, w = air.gamma, 2 * np.pi * np.asarray(f_hz, float)
    ratio = np.ones_like(w, complex)
    admittance = 1j * w * volume_mm3 * 1e-9 / (k * air.pressure_pa)
    for length_mm, bore_mm in reversed(segments_mm):
        radius_m, length_m = bore_mm * 5e-4, length_mm * 1e-3
        alpha = 1j**1.5 * radius_m * np.sqrt(air.density_kg_m3 * w / air.viscosity_pa_s)
        n = 1 / (1 + (k - 1) / k * _bessel_j2_over_j0(alpha * np.sqrt(air.prandtl)))
        phi = w / air.sound_m_s * np.sqrt(1 / _bessel_j2_over_j0(alpha)) * np.sqrt(k / n)
        shunt = 1j * w * np.pi * radius_m**2 / (n * air.pressure_pa)
        wave = phi / shunt
        line = phi * length_m
        line = np.minimum(line.real, _DEAD_LINE) + 1j * line.imag
        c, s = np.cosh(line), np.sinh(line)
        drop = c + wave * s * admittance
        ratio = ratio / drop
        admittance = (s / wave + c * admittance) / drop
    return np.asarray(ratio)


def tap_tubes(car: Car) -> dict[str, Tube]:
    """Work out the tubes of a car."""
    return {
        tap.name: _tube(tap.tube_length_mm, tap.tube_bore_mm, tap.sensor_volume_mm3 or SENSOR_VOLUME_MM3)
        for tap in car.taps
        if tap.tube_length_mm is not None and tap.tube_bore_mm is not None
    }


@lru_cache(maxsize=64)
def _tube(length_mm: float, bore_mm: float, volume_mm3: float) -> Tube:
    """A tube, worked out once: the taps of a car mostly have the same, and so have its runs."""
    return Tube.of(length_mm, bore_mm, volume_mm3)


def tube_notices(car: Car, rate_hz: float) -> list[str]:
    """Say what the tubes of a car do to its readings."""
    tubes = tap_tubes(car)
    said = []
    for tube in dict.fromkeys(tubes.values()):
        if tube.peak_hz is None or tube.peak_gain is None or tube.peak_gain < _RINGS:
            continue
        if tube.peak_hz > rate_hz / 2:
            seen_hz = abs(tube.peak_hz - rate_hz * round(tube.peak_hz / rate_hz))
            names = [name for name, own in tubes.items() if own is tube]
            which = "all taps" if len(names) == len(car.taps) else "tap " + ", ".join(names)
            said.append(
                f"{which}: a tube of {tube.length_mm:g} mm x {tube.bore_mm:g} mm rings at "
                f"{tube.peak_hz:.0f} Hz ({tube.peak_gain:.1f} times), which {rate_hz:.0f} samples a second "
                f"show as {seen_hz:.0f} Hz; trust readings up to {min(tube.trust_hz, rate_hz / 2):.0f} Hz"
            )
    if len(set(tubes.values())) > 1:
        late = [tube.delay_s for tube in tubes.values()]
        said.append(
            f"the tubes are not equal: taps are seen up to {1e3 * (max(late) - min(late)):.1f} ms apart, "
            "and an order of collapse within that says nothing"
        )
    return said


def _bessel_j2_over_j0(z: Complex) -> Complex:
    """J2(z)/J0(z) by the continued fraction of J1/J0, from its far end up: stable off the real axis."""
    terms = 30 + int(2 * np.abs(z).max(initial=0.0))
    fraction = np.zeros_like(z)
    for order in range(terms, 0, -1):
        fraction = z / (2 * order - z * fraction)
    return np.asarray(2 * fraction / z - 1)
