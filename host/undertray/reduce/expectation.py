"""What the fans should give: a bank of fan laws that the run itself narrows down."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from undertray.reduce.fanspeed import ARRIVED_US, LAGS_S, FanSpeeds
from undertray.reduce.middle import middle

__all__ = ["FanBank"]

Array = NDArray[np.float64]

_EXPONENTS = (1.0, 1.5, 2.0, 2.5, 3.0)
_DEAD_BANDS_US = (1000.0, 1100.0, 1200.0, 1500.0)
_SPAN_US = 1000.0
_MEMORY_S = 90.0
_CALM_FRAMES = 60
_HARD_US, _WORKED = 150.0, 3
_SCHOOL = 6  # lessons before a frame may be mistrusted
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
        self._p = np.repeat(_EXPONENTS, len(_DEAD_BANDS_US))[:, None]
        self._u0 = np.tile(_DEAD_BANDS_US, len(_EXPONENTS))[:, None]
        shape = (len(self._p), self._speeds.lags)
        self._cc, self._cx, self._xx = 0.0, np.zeros(shape), np.zeros(shape)
        self._top, self._lessons, self._worked = 0.0, 0, 0
        self._calm: list[float] = []
        self._calm_error = 1.0
        self._block_s = block_s
        # what the run cannot tell apart is decided here, and not by the last digit of a sum
        self._prior = 1e-5 * np.abs(self._p - 2.0) + 1e-8 * np.arange(np.prod(shape)).reshape(shape)
        self._in = np.ones(shape, bool)
        self._best = (2 * len(_DEAD_BANDS_US), 3 * len(LAGS_S) + 3)
        self._laws = np.nonzero(self._in)
        self._gain, self._law = 0.0, self._best_law()

    def _best_law(self) -> tuple[float, float, int]:
        return float(self._u0[self._best[0], 0]), float(self._p[self._best[0], 0]), self._best[1]

    @property
    def lags(self) -> int:
        """How many speeds the bank follows."""
        return self._speeds.lags

    @property
    def error(self) -> float:
        """Relative rms error of the best law over the run so far; 1 before enough was learned."""
        if self._cc <= 0 or self._lessons < _SCHOOL:
            return 1.0
        return float(np.sqrt(self._errors()[self._best] / self._cc))

    @property
    def calm_error(self) -> float:
        """Relative rms error of the best law at rest; as :attr:`error` before that was seen."""
        return self._calm_error if len(self._calm) >= _SCHOOL else self.error

    @property
    def schooled(self) -> bool:
        """Was enough learned for the laws to be told apart?"""
        return self._lessons >= 2 * _SCHOOL

    @property
    def lag_s(self) -> tuple[float, float]:
        """Lags of the best law, spinning up and slowing down, s."""
        j = self._best[1]
        return LAGS_S[j // len(LAGS_S)], LAGS_S[j % len(LAGS_S)]

    def follow(self, throttle_us: Array) -> Array:
        """Let the fans of all laws follow the throttle.

        Parameters
        ----------
        throttle_us : ndarray, shape (k,)
            Pulse width of each block, µs; NaN only before the first pulse.

        Returns
        -------
        ndarray, shape (k, lags)
            Speeds, in µs of pulse width.
        """
        return self._speeds.follow(throttle_us)

    def learn(self, suction_pa: Array, speed_us: Array) -> None:
        """Compare the laws with what the taps read over one frame on a good seal.

        Parameters
        ----------
        suction_pa : ndarray, shape (k,)
            Mean suction of each block, Pa.
        speed_us : ndarray, shape (k, lags)
            From :meth:`follow`.
        """
        self._top = max(self._top * 0.995, float(np.abs(suction_pa).max()))
        if self._top <= 0:
            return
        keep = np.exp(-len(suction_pa) * self._block_s / _MEMORY_S)
        pick = slice(1, None, 4)
        c, speed = suction_pa[pick], speed_us[pick]
        if np.ptp(speed, axis=0).max() < ARRIVED_US:
            speed = speed[:1]  # all blocks alike
        expected = self.expected(speed)
        w = self._trust(c, expected) / (c * c + (0.2 * self._top) ** 2)
        self._lessons += 1
        # the fastest law shows the pulse itself: did it fall hard in this frame?
        self._worked += int(speed_us[0, 0] - speed_us[:, 0].min() > _HARD_US)
        self._note_calm(c, expected)
        x = self._drive(speed)
        once = len(speed) == 1
        self._cc = keep * self._cc + float((w * c) @ c)
        self._cx = keep * self._cx + np.tensordot((w * c).sum(keepdims=True) if once else w * c, x, 1)
        self._xx = keep * self._xx + np.tensordot(w.sum(keepdims=True) if once else w, x * x, 1)
        errors = self._errors()
        best = int(np.argmin(errors + self._prior * self._cc))
        self._best = (best // self.lags, best % self.lags)
        self._law = self._best_law()
        xx = float(self._xx[self._best])
        self._gain = float(self._cx[self._best]) / xx if xx > 0 else 0.0
        self._in = errors <= _EXCUSED * errors[self._best] + _EXCUSED_FLOOR * self._cc
        self._laws = np.nonzero(self._in)

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
        The least of all laws that are in. Each may have been slower before and be faster now than its
        lag says, by one and two steps of the grid: how fast a fan is shows only once the throttle
        was worked hard, and the promise has to hold the first time too. After three hard closings
        that were learned from, one step faster is enough.
        """
        law, lag = self._laws
        u0 = self._u0[law, 0]
        slower, faster = (0, -1) if self._worked >= _WORKED else (1, -2)
        now = self._lagged(speed_us, np.minimum, faster)[:, lag]
        before = self._lagged(before_us, np.maximum, slower)[:, lag]
        above = before - u0
        ratio = np.maximum(now - u0, 0.0) / np.where(above > 1.0, above, np.inf)
        ratio = np.minimum(ratio, 1.0) ** self._p[law, 0]
        return np.asarray(np.where(above > 1.0, ratio, 1.0).min(axis=1))

    def _lagged(self, speed_us: Array, extreme: np.ufunc, steps: int) -> Array:
        """Least or highest speed among the neighbours of each lag, up to some steps away."""
        n = len(LAGS_S)
        grid = speed_us.reshape(len(speed_us), n, n)
        for axis in (1, 2):
            out = grid
            for step in range(1, abs(steps) + 1):
                index = np.clip(np.arange(n) + (step if steps > 0 else -step), 0, n - 1)
                out = extreme(out, np.take(grid, index, axis=axis))
            grid = out
        return grid.reshape(speed_us.shape)

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
        return self.drive(speed_us) / np.maximum(self.drive(before_us), 1e-9)

    def ratio_at(self, speed_us: Array, before_us: Array) -> float:
        """The same for one block.

        Parameters
        ----------
        speed_us, before_us : ndarray, shape (lags,)
            Speeds now and then.

        Returns
        -------
        float
        """
        return self._drive_at(speed_us) / max(self._drive_at(before_us), 1e-9)

    def expected_at(self, speed_us: Array) -> float:
        """Suction by the best law in one block, Pa.

        Parameters
        ----------
        speed_us : ndarray, shape (lags,)
            Speeds.

        Returns
        -------
        float
        """
        return self._drive_at(speed_us) * self._gain

    def _drive_at(self, speed_us: Array) -> float:
        dead_us, power, lag = self._law
        return float((max(float(speed_us[lag]) - dead_us, 0.0) / _SPAN_US) ** power)

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
        i, j = self._best
        x: Array = (np.maximum(speed_us[..., j] - self._u0[i, 0], 0.0) / _SPAN_US) ** self._p[i, 0]
        return x

    def _note_calm(self, c: Array, expected: Array) -> None:
        """Keep the misfit of frames in which the drive hardly changes: that of the law without its lag."""
        if expected.min() > 0.9 * expected.max() and expected.max() > 0.15 * self._top:
            off = middle(c) / max(middle(expected), 1e-9) - 1.0
            self._calm += [off]
            del self._calm[:-_CALM_FRAMES]
            self._calm_error = float(np.sqrt(np.mean(np.square(self._calm))))

    def _trust(self, c: Array, expected: Array) -> float:
        """Weight of a frame: little for one that fits nothing learned so far, such as an unseen leak."""
        if self._lessons < _SCHOOL:
            return 1.0
        off = 1.0 - expected / np.maximum(np.abs(c), 0.2 * self._top)
        allowed = (3 * self.error) ** 2 + _EXCUSED_FLOOR
        return min(1.0, allowed / max(float(np.mean(off * off)), 1e-12)) ** 2

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
        self._gain *= factor
        self._top *= factor

    def _drive(self, speed_us: Array) -> Array:
        x: Array = (np.maximum(speed_us[..., None, :] - self._u0, 0.0) / _SPAN_US) ** self._p
        return x

    def _errors(self) -> Array:
        sse = self._cc - np.divide(self._cx**2, self._xx, out=np.zeros_like(self._cx), where=self._xx > 0)
        return np.maximum(sse, 0.0)
