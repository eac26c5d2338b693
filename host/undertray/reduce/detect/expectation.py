"""What the fans should give: a bank of fan laws that the run itself narrows down."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from undertray.reduce.detect.fanlaws import FanLaws
from undertray.reduce.detect.fanspeed import LAGS_S, FanSpeeds
from undertray.reduce.middle import middle

__all__ = ["FanBank"]

Array = NDArray[np.float64]
Ints = NDArray[np.int64]

_MEMORY_S = 90.0
_CALM_FRAMES = 60
_ALIKE_US = 0.1  # of a few hundred: blocks in which the speeds differ by less are all alike
_HARD_US, _WORKED = 150.0, 3
_FASTER = 2  # steps of the grid of lags
_SCHOOL = 6  # lessons before a frame may be mistrusted
_FIRST_LESSONS = 3  # ... and before a fall over seconds may be judged, by all laws that are in
_FIRST_LAW = 309  # before anything was learned: the square from 1000 µs on, lags of 0.2 s
_TINY = 1e-300
_EXCUSED = 2.0  # a law stays in while its squared error is below this many times the best one's
_EXCUSED_FLOOR = 4e-4  # ... plus 2 % of the suction, the step of the grid itself


class FanBank:
    """Suction over throttle, as many laws at once.

    Parameters
    ----------
    block_s : float
        Time between two blocks, s.

    Notes
    -----
    Each law says suction = K x, x = (max(0, N - u0) / 1000 µs)^p, where the fan's "speed" N follows the
    throttle pulse with one lag while it spins up and another while it slows down. By the fan
    laws p = 2 with dp ~ N^2 on a fixed leak; speed controllers bend that, so p runs from 1 to 3,
    with four dead bands u0 and six lags either way: 720 laws, each with its own K by discounted
    least squares. A law is in while its error is within twice the best one's. Before the throttle
    has moved all are in, and the bank then promises least: it is never surer than the run.
    """

    def __init__(self, block_s: float) -> None:
        self._speeds = FanSpeeds(block_s)
        self._laws = FanLaws()
        laws = len(self._laws.lag)
        self._cc, self._sums, self._errors = 0.0, np.zeros((2, laws)), np.zeros(laws)
        self._cx, self._xx = self._sums
        self._top, self._lessons, self._worked = 0.0, 0, 0
        self._calm: list[float] = []
        self._calm_error = self._error = 1.0
        self._block_s = block_s
        # what the run cannot tell apart is decided here, and not by the last digit of a sum
        self._prior = 1e-5 * np.abs(self._laws.exponent - 2.0) + 1e-8 * np.arange(laws)
        self._in: Ints | None = None
        self._gain = 0.0
        self._best, self._law = _FIRST_LAW, self._laws.law(_FIRST_LAW)
        self._own_us, self._own = math.nan, 0.0

    @property
    def lags(self) -> int:
        """How many speeds the bank follows."""
        return self._speeds.lags

    @property
    def error(self) -> float:
        """Relative rms error of the best law over the run so far; 1 before enough was learned."""
        return self._error if self._lessons >= _SCHOOL else 1.0

    @property
    def calm_error(self) -> float:
        """Relative rms error of the best law at rest; over the run before that was seen."""
        if len(self._calm) >= _SCHOOL:
            return self._calm_error
        return self._error if self._lessons >= _FIRST_LESSONS else 1.0

    @property
    def schooled(self) -> bool:
        """Was enough learned for the laws to be told apart?"""
        return self._lessons >= 2 * _SCHOOL

    @property
    def lag_s(self) -> tuple[float, float]:
        """Lags of the best law, spinning up and slowing down, s."""
        j = self._law.lag
        return LAGS_S[j // len(LAGS_S)], LAGS_S[j % len(LAGS_S)]

    def follow(self, throttle_us: Array, out: Array | None = None) -> Array:
        """Let the fans of all laws follow the throttle.

        Parameters
        ----------
        throttle_us : ndarray, shape (k,)
            Pulse width of each block, µs; NaN only before the first pulse.
        out : ndarray, shape (k, lags), or None
            Where to put them.

        Returns
        -------
        ndarray, shape (k, lags)
            Speeds, in µs of pulse width.
        """
        return self._speeds.follow(throttle_us, out)

    def learn(self, suction_pa: Array, speed_us: Array) -> None:
        """Compare the laws with what the taps read over one frame on a good seal.

        Parameters
        ----------
        suction_pa : ndarray, shape (k,)
            Mean suction of each block, Pa.
        speed_us : ndarray, shape (k, lags)
            From :meth:`follow`.
        """
        self._top = max(self._top * 0.995, float(suction_pa.max()), -float(suction_pa.min()))
        if self._top <= 0:
            return
        keep = math.exp(-len(suction_pa) * self._block_s / _MEMORY_S)
        pick = slice(1, None, 4)
        c, speed = suction_pa[pick], speed_us[pick]
        # a fan that moved in between is still on its way: the slowest takes far longer than a frame
        if float(np.abs(speed[-1] - speed[0]).max()) < _ALIKE_US:
            speed = speed[len(speed) // 2 :][:1]
        expected = self.expected(speed)
        w = self._trust(c, expected) / (c * c + (0.2 * self._top) ** 2)
        self._lessons += 1
        if len(speed) > 1:
            # the fastest law shows the pulse itself: did it fall hard in this frame?
            self._worked += int(speed_us[0, 0] - speed_us[:, 0].min() > _HARD_US)
        self._note_calm(c, expected)
        wc = w * c
        self._cc = keep * self._cc + float(wc @ c)
        if len(speed) == 1:
            w, wc = w.sum(keepdims=True), wc.sum(keepdims=True)
        self._sums *= keep
        self._sums += self._laws.sums(speed, wc, w)
        self._settle()

    def _settle(self) -> None:
        """Which law is the best by now?"""
        errors = self._cc - self._cx * self._cx / np.maximum(self._xx, _TINY)
        self._errors = np.maximum(errors, 0.0, out=errors)
        best = int((errors + self._prior * self._cc).argmin())
        if best != self._best:
            self._best, self._law, self._own_us = best, self._laws.law(best), math.nan
        self._error = float(errors[self._best] / self._cc) ** 0.5 if self._cc > 0 else 1.0
        self._gain = float(self._cx[self._best]) / max(float(self._xx[self._best]), _TINY)
        self._in = None

    def least_ratio(self, speed_us: Array, before_us: Array) -> Array:
        """Lowest suction that the throttle explains, as a share of the suction before.

        Parameters
        ----------
        speed_us : ndarray, shape (k, lags)
            Speeds now.
        before_us : ndarray, shape (k, lags)
            Speeds over the stretch that "before" was read from.

        Returns
        -------
        ndarray, shape (k,)
            At most 1: a rise is promised by nobody.

        Notes
        -----
        The least of all laws that are in. Each may be faster now than its lag says, by two steps of the
        grid: a fan that coasts is braked by the air it moves, and falls faster from a high speed and to a
        pulse near its own than any lag that fits the rest. It may have been slower before by one step, until
        three hard closings were learned from: the promise has to hold the first time too.
        """
        if self._in is None:
            most = _EXCUSED * self._errors[self._best] + _EXCUSED_FLOOR * self._cc
            (self._in,) = (self._errors <= most).nonzero()
        slower = 0 if self._worked >= _WORKED else 1
        return self._laws.least_ratio(self._in, speed_us, before_us, _FASTER, slower)

    def ratio(self, speed_us: Array, before_us: Array) -> Array:
        """Suction over the suction before, by the best law, on an unchanged seal.

        Parameters
        ----------
        speed_us, before_us : ndarray, shape (k, lags) or (lags,)
            Speeds now and then.

        Returns
        -------
        ndarray, shape (k,)
        """
        if before_us.ndim == 1:
            return self.drive(speed_us) / max(self._law.drive_at(float(before_us[self._law.lag])), 1e-9)
        return self.drive(speed_us) / np.maximum(self.drive(before_us), 1e-9)

    def settled(self, k0: int, k1: int) -> bool:
        """Did the throttle rest and every fan stand still in some blocks?

        Parameters
        ----------
        k0, k1 : int
            First block, counted from the first that was followed, and the block after the last.

        Returns
        -------
        bool
            False also where that was too long ago to be remembered.
        """
        return self._speeds.settled(k0, k1)

    @property
    def lag(self) -> int:
        """Which of the speeds the best law goes by."""
        return self._law.lag

    def expected_at(self, own_us: float) -> float:
        """Suction by the best law in one block, Pa.

        Parameters
        ----------
        own_us : float
            The speed that it goes by.

        Returns
        -------
        float
        """
        if own_us != self._own_us:  # it seldom does while the throttle rests
            self._own_us, self._own = own_us, self._law.drive_at(own_us)
        return self._own * self._gain

    def drive(self, speed_us: Array) -> Array:
        """The best law's x, to which the suction on one seal is proportional.

        Parameters
        ----------
        speed_us : ndarray, shape (..., lags)
            Speeds.

        Returns
        -------
        ndarray, shape (...)
        """
        return self._law.drive(speed_us)

    def _note_calm(self, c: Array, expected: Array) -> None:
        """Keep the misfit of frames in which the drive hardly changes: that of the law without its lag."""
        highest = expected.max()
        if expected.min() > 0.9 * highest and highest > 0.15 * self._top:
            off = middle(c) / max(middle(expected), 1e-9) - 1.0
            self._calm = [*self._calm[1 - _CALM_FRAMES :], off * off]
            self._calm_error = (sum(self._calm) / len(self._calm)) ** 0.5

    def _trust(self, c: Array, expected: Array) -> float:
        """Weight of a frame: little for one that fits nothing learned so far, such as an unseen leak."""
        if self._lessons < _SCHOOL:
            return 1.0
        off = 1.0 - expected / np.maximum(np.abs(c), 0.2 * self._top)
        allowed = (3 * self.error) ** 2 + _EXCUSED_FLOOR
        return min(1.0, allowed / max(float(off @ off) / len(off), 1e-12)) ** 2

    def expected(self, speed_us: Array) -> Array:
        """Suction by the best law, Pa.

        Parameters
        ----------
        speed_us : ndarray, shape (..., lags)
            Speeds.

        Returns
        -------
        ndarray, shape (...)
        """
        return self.drive(speed_us) * self._gain

    def rescale(self, factor: float) -> None:
        """Take over a change of what the mean is taken over: a tap fell out or came back.

        Parameters
        ----------
        factor : float
            New mean over old.
        """
        self._cc *= factor * factor
        self._cx *= factor
        self._errors *= factor * factor
        self._gain *= factor
        self._top *= factor
