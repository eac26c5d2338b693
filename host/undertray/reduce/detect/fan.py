"""What the fans should give: one rotor, a wide belief about it, and what the run has taught."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

__all__ = ["RUN_IN", "Fan", "Lesson", "log_suction"]

Array = NDArray[np.float64]

RUN_IN = 96
"""Blocks before a window from which the rotor is followed, at rest in the first."""
_SPAN_US = 900.0  # of pulse over which the speed goes from nothing to all
_MOST_SHARE = 1.3
_LEAST = 0.02  # of full speed: below it nothing is asked of the law
_LESSONS = 12  # kept at most
# The belief about a fan that nothing is known of. Rows: mean, standard deviation, least, most, step of the
# derivative, what no run teaches better. Columns: dead band µs, exponent of speed over pulse, logs of the
# motor's g and the air's b in 1/s, braking and braking with the bridge off as shares of g, dead time s, logs
# of the controller's slew up and down in 1/s. Common practice for fans of 40 to 70 mm, no source.
_BELIEF, _WIDTH, _LOW, _HIGH, _STEP, _MODEL = np.array(
    [
        [1045.0, 1.0, 2.0, 0.7, 0.5, 0.4, 0.015, np.log(6.0), np.log(12.0)],
        [35.0, 0.25, 1.1, 1.1, 0.5, 0.5, 0.015, 0.8, 0.6],
        [950.0, 0.4, np.log(0.1), np.log(0.1), 0.0, 0.0, 0.0, 0.0, np.log(3.0)],
        [1250.0, 2.2, np.log(60.0), np.log(60.0), 2.5, 2.5, 0.1, np.log(60.0), np.log(60.0)],
        [4.0, 0.02, 0.06, 0.06, 0.05, 0.05, 0.004, 0.1, 0.1],
        [4.0, 0.03, 0.06, 0.06, 0.06, 0.1, 0.003, 0.1, 0.1],
    ]
)
_SIZE = len(_BELIEF)
_OTHER_STARTS = ((2.3, 0.3, 0.0, 0.0), (2.3, 0.3, 1.0, 0.5))  # a fan that coasts, and one that is braked
_WHEN = (2, 3, 5, 8, 11)  # lessons after which these are tried
_ENOUGH, _KNOWN = 8, 0.03  # lessons, and misfit of a further one that teaches nothing any more
_FITS = 0.012  # scatter below which they are not
_SHARP, _COARSE = 0.03, 0.3  # scale of the residuals that count in full, last and first
_ALIKE = 8.0  # neighbouring residuals say the same over this many blocks


def log_suction(laws: Array, throttle_us: Array, block_s: float, begun: Array | None = None) -> Array:
    """Log of the suction that rotors give on a fixed leak, mean over each block.

    Parameters
    ----------
    laws : ndarray, shape (p, 9)
        Parameters of the laws.
    throttle_us : ndarray, shape (e, k)
        Pulse of each block in e stretches, µs.
    block_s : float
        Length of a block, s.
    begun : ndarray, shape (e,), or None
        Speed at the begin where it was higher than the pulse asks for, as a share of full speed.

    Returns
    -------
    ndarray, shape (p, e, k)
        2 log n, at least 2 log 0.02.

    Notes
    -----
    The controller moves a share s of its pulse towards the asked one after a dead time, no faster than
    its slew; a = s^q is the speed at which the motor would settle. The motor pulls with g (A - n),
    A = a + b a^2 / g, the air brakes with b n^2: dn/dt = g (A - n) - b n^2 while A > n; above A the motor
    brakes with a share of g, or coasts (0). Suction goes with n^2 on a fixed leak (fan laws).

    References
    ----------
    Fan laws, dp ~ rho N^2 at fixed geometry: ISO 5801:2017, 15.2. The direct-current machine, whose torque
    falls with its speed: from memory.
    """
    u0, q, g, b, brake, off, dead, up, down = laws.T[:, :, None]
    g, b, up, down = np.exp(g), np.exp(b), np.exp(up) * block_s, np.exp(down) * block_s
    asked = np.clip((throttle_us[None] - u0[..., None]) / _SPAN_US, 0.0, _MOST_SHARE)
    size, late = throttle_us.shape[1], dead / block_s
    whole = np.floor(late).astype(np.int64)
    at = np.broadcast_to(np.maximum(np.arange(size) - whole[..., None], 0), asked.shape)
    now, then = (np.take_along_axis(asked, np.maximum(at - back, 0), 2) for back in (0, 1))
    # time first, so that each step works on memory that lies together
    share = np.ascontiguousarray((now + (late - whole)[..., None] * (then - now)).transpose(2, 0, 1))
    _slewed(share, down, up)
    a = share**q
    drive, slower = a + (b / g) * a * a, np.where(share > 0, brake * g, off * g)
    out = np.empty((size + 1, *share.shape[1:]))
    n = out[0]
    n[:] = a[0] if begun is None else np.maximum(a[0], begun)
    faster, twice = np.broadcast_to(g, n.shape), 2 * np.broadcast_to(b, n.shape)
    pull, rate, air, half = np.empty_like(n), np.empty_like(n), np.empty_like(n), 0.5 * block_s
    for k in range(size):
        # half implicit: n' = n + dt f(n) / (1 + dt/2 (rate + 2 b n))
        np.subtract(drive[k], n, out=pull)
        np.copyto(rate, slower[k])
        np.copyto(rate, faster, where=pull > 0)
        np.multiply(twice, n, out=air)
        np.multiply(rate, pull, out=pull)
        rate += air
        rate *= half
        rate += 1.0
        air *= n
        air *= half
        pull *= block_s
        pull -= air
        pull /= rate
        n = np.add(n, pull, out=out[k + 1])
    means = np.maximum(out[1:] + out[:-1], 2 * _LEAST) / 2
    return np.asarray(2 * np.log(means.transpose(1, 2, 0)))


def _slewed(share: Array, down: Array, up: Array) -> None:
    """Follow the asked share no faster than the slew, in place."""
    (moving,) = (share[1:] != share[:-1]).any(axis=(1, 2)).nonzero()
    if not len(moving):
        return
    last = share[moving[0]]
    low, high = np.empty_like(last), np.empty_like(last)
    for k in range(int(moving[0]) + 1, len(share)):
        np.subtract(last, down, out=low)
        np.add(last, up, out=high)
        np.maximum(share[k], low, out=low)
        last = np.minimum(low, high, out=share[k])


@dataclass(frozen=True, slots=True, eq=False)
class Lesson:
    """A frame with throttle work.

    Attributes
    ----------
    frame : int
        Its number.
    throttle_us : ndarray, shape (RUN_IN + k,)
        Pulses, µs, with those before it.
    log_pa, weight : ndarray, shape (k,)
        Log of the mean suction, and how much each block says, 0 to 1.
    begun : float
        Speed at the begin where the fan was still coasting, else 0.
    """

    frame: int
    throttle_us: Array
    log_pa: Array
    weight: Array
    begun: float


@dataclass(frozen=True, slots=True, eq=False)
class _Fit:
    law: Array
    cost: float
    scatter: float
    normal: Array
    gains: Array


class Fan:
    """The fan of one run.

    Parameters
    ----------
    block_s : float
        Length of a block, s.

    Attributes
    ----------
    law : ndarray, shape (9,)
        Parameters that fit the run so far best.
    gain : float or None
        Log of the suction at full speed; None before a lesson.
    """

    bounds = (_LOW, _HIGH)

    def __init__(self, block_s: float) -> None:
        self.block_s = block_s
        self.law: Array = _BELIEF.copy()
        self.gain: float | None = None
        self._lessons: list[Lesson] = []

    def take(self, lesson: Lesson) -> None:
        """Learn from a frame.

        Parameters
        ----------
        lesson : Lesson
            The frame.
        """
        if len(self._lessons) >= _ENOUGH and self._knows(lesson):
            return
        self._lessons = [*self._lessons[1 - _LESSONS :], lesson]
        best = self._fit(self._lessons, self.law, 4 if len(self._lessons) <= _ENOUGH else 2)
        if best.scatter > _FITS and len(self._lessons) in _WHEN:
            for start in _OTHER_STARTS:
                law = best.law.copy()
                law[2:6] = start
                best = min(best, self._fit(self._lessons, law, 7), key=lambda fit: fit.cost)
        self.law = best.law
        loud = [lesson.weight.max() > 0.3 for lesson in self._lessons]
        if any(loud):
            self.gain = float(np.median(best.gains[loud]))

    def _knows(self, lesson: Lesson) -> bool:
        """Does the law expect what a lesson shows?"""
        off = lesson.log_pa - self.expected(lesson.throttle_us, lesson.begun)
        total = lesson.weight.sum()
        if not total > 0:
            return True
        off = off - (lesson.weight * off).sum() / total
        return bool((lesson.weight * off * off).sum() / total < _KNOWN**2)

    def belief(self, leave_out: tuple[int, ...]) -> tuple[Array, Array]:
        """What other frames teach: nothing under review is its own judge.

        Parameters
        ----------
        leave_out : tuple of int
            Frames that do not count.

        Returns
        -------
        law : ndarray, shape (9,)
        covariance : ndarray, shape (9, 9)
            With what no run teaches better.
        """
        used = [lesson for lesson in self._lessons if lesson.frame not in leave_out]
        if not used:
            return _BELIEF.copy(), np.diag(_WIDTH**2)
        fit = self._fit(used, self.law, 3)
        return fit.law, np.asarray(np.linalg.inv(fit.normal) + np.diag(_MODEL**2), np.float64)

    def expected(self, throttle_us: Array, begun: float = 0.0) -> Array:
        """Log suction by the law, without its gain.

        Parameters
        ----------
        throttle_us : ndarray, shape (RUN_IN + k,)
            Pulses, µs.
        begun : float
            Speed at the begin where it was higher than the pulse asks for.

        Returns
        -------
        ndarray, shape (k,)
        """
        if begun == 0 and (throttle_us == throttle_us[0]).all():
            return self.settled(throttle_us[RUN_IN:])
        logs = log_suction(self.law[None], throttle_us[None], self.block_s, np.array([begun]))
        return np.asarray(logs[0, 0, RUN_IN:])

    def settled(self, throttle_us: Array) -> Array:
        """Log suction of a fan that has come to rest at its pulse.

        Parameters
        ----------
        throttle_us : ndarray, shape (k,)
            Pulses, µs.

        Returns
        -------
        ndarray, shape (k,)
        """
        share = np.clip((throttle_us - self.law[0]) / _SPAN_US, 0.0, _MOST_SHARE)
        return np.asarray(2 * np.log(np.maximum(share ** self.law[1], _LEAST)))

    def sensitive(self, laws: Array, throttle_us: Array, begun: Array) -> tuple[Array, Array]:
        """Log suction and how it changes with each parameter.

        Parameters
        ----------
        laws : ndarray, shape (p, 9)
            Parameters of p laws.
        throttle_us : ndarray, shape (e, RUN_IN + k)
            Pulses, µs.
        begun : ndarray, shape (e,)
            Speeds at the begin.

        Returns
        -------
        expected : ndarray, shape (p, e, k)
        slopes : ndarray, shape (p, 9, e, k)
        """
        step = np.where(laws + _STEP > _HIGH, -_STEP, _STEP)
        beside = laws[:, None, :] + np.eye(_SIZE) * step[:, :, None]
        all_laws = np.concatenate([laws[:, None], beside], axis=1).reshape(-1, _SIZE)
        logs = log_suction(all_laws, throttle_us, self.block_s, begun)[:, :, RUN_IN:]
        logs = logs.reshape(len(laws), 1 + _SIZE, *logs.shape[1:])
        return np.asarray(logs[:, 0], np.float64), np.asarray(
            (logs[:, 1:] - logs[:, :1]) / step[:, :, None, None], np.float64
        )

    def _fit(self, lessons: list[Lesson], law: Array, rounds: int) -> _Fit:
        """Robust least squares with the belief, each lesson with a gain of its own: a pack sags."""
        pulses, seen, weight = (
            np.stack([getattr(lesson, name) for lesson in lessons])
            for name in ("throttle_us", "log_pa", "weight")
        )
        begun = np.array([lesson.begun for lesson in lessons])
        total = np.maximum(weight.sum(axis=1, keepdims=True), 1e-9)
        for turn in range(rounds):
            logs, slope = self.sensitive(law[None], pulses, begun)
            off, slope = seen - logs[0], slope[0]
            scale = max(_SHARP, _COARSE * 0.5 ** (turn if rounds > 3 else turn + 2))
            gain = (weight * off).sum(axis=1, keepdims=True) / total
            for _ in range(3):
                trust = weight / (1 + ((off - gain) / (2 * scale)) ** 2)
                sums = np.maximum(trust.sum(axis=1, keepdims=True), 1e-9)
                gain = (trust * off).sum(axis=1, keepdims=True) / sums
            off = off - gain
            trust = weight / (1 + (off / (2 * scale)) ** 2)
            sums = np.maximum(trust.sum(axis=1, keepdims=True), 1e-9)
            flat = (slope - (trust * slope).sum(axis=2, keepdims=True) / sums).reshape(_SIZE, -1)
            scatter = max(float((trust * off * off).sum() / sums.sum()) ** 0.5, 0.01)
            unit = _ALIKE * max(scatter, 0.02) ** 2
            normal = (flat * trust.ravel()) @ flat.T / unit + np.diag(_WIDTH**-2.0)
            away = (law - _BELIEF) / _WIDTH
            sharp = (2 * _SHARP) ** 2
            misfit = float((weight * np.log1p(off * off / sharp)).sum()) * sharp / (_ALIKE * 0.02**2)
            fit = _Fit(law, misfit + float(away @ away), scatter, normal, gain[:, 0])
            if turn == rounds - 1:
                break
            pull = flat @ (trust * off).ravel() / unit - away / _WIDTH
            move = np.clip(np.linalg.solve(normal, pull), -1.5 * _WIDTH, 1.5 * _WIDTH)
            law = np.minimum(np.maximum(law + move, _LOW), _HIGH)
        return fit
