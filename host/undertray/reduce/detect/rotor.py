"""One fan law with the rotor's own physics, fitted to the last stretch of a run."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from undertray.reduce.middle import middle

__all__ = ["HARDEST", "RotorLaw", "fit_rotor", "follow_rotor", "rotor_speed"]

Array = NDArray[np.float64]
Ints = NDArray[np.int64]

_SPAN_US = 900.0
_JITTER_US = 8.0  # within this the throttle counts as constant, at its mean
_LOW = np.array([950.0, 0.5, *np.log([0.05, 0.05, 0.05])])
_HIGH = np.array([1500.0, 2.0, *np.log([60.0, 60.0, 40.0])])
HARDEST = float(_HIGH[3])
"""Log of the coefficient, 1/s, with which a fan is braked that stops in some milliseconds."""
_START = np.array([1045.0, 1.0, *np.log([5.0, 5.0, 4.0])])
_BELIEF = np.array([60.0, 0.3, 1.5, 1.5, 1.5])  # standard deviation of the start
_DRIFT, _DRIFT_SD = 0.0, 0.1  # of the log of the gain over the stretch: a pack that sags
_STEP = np.array([5.0, 0.02, 0.05, 0.05, 0.05])
_SETTLED = 1.0  # steps of the derivative; moves below that end the iteration
_STRIDE = np.array([40.0, 0.4, 1.2, 1.2, 1.2, 1.0, 0.2])
_CLIP = 2.0  # residuals beyond twice the usual count less: unseen leaks, bumps
_ALIKE = 10.0  # neighbouring residuals say the same over this many blocks
_FLOOR = 0.15
_LEAST_BLOCKS = 100
_LOUD = 0.01
_ARRIVED = 37.0  # e-foldings after which nothing of a change is left in a double
_STANDING = 1e-5  # a fan this near to its speed is there
_COARSE, _FINE, _FINER = 0.3, 0.03, 0.6  # scale of the residuals, from the first step to the last


@dataclass(frozen=True, slots=True, eq=False)
class RotorLaw:
    """A fitted law over a stretch of k blocks.

    Attributes
    ----------
    parameters : ndarray, shape (7,)
        Dead band in µs, exponent of speed over pulse, logs of the three torque coefficients in 1/s,
        log of the gain, and its drift over the stretch.
    expected_pa : ndarray, shape (k,)
        Suction on one seal, Pa.
    sensitivity : ndarray, shape (k, 7)
        Change of the log of that with each parameter.
    covariance : ndarray, shape (7, 7)
        Of the parameters.
    scatter : float
        Robust standard deviation of the relative residuals of a block.
    """

    parameters: Array
    expected_pa: Array
    sensitivity: Array
    covariance: Array
    scatter: float


def rotor_speed(parameters: Array, throttle_us: Array, block_s: float, restart: NDArray[np.bool_]) -> Array:
    """Speed of the fan, by several laws at once.

    Parameters
    ----------
    parameters : ndarray, shape (m, 5)
        Dead band in µs, exponent, logs of the coefficients g up, g down, b in 1/s.
    throttle_us : ndarray, shape (k,)
        Pulse width of each block, µs.
    block_s : float
        Length of a block, s.
    restart : ndarray of bool, shape (k,)
        Blocks before which the fan was not seen: it is taken as settled there.

    Returns
    -------
    ndarray, shape (k, m)
        Mean over each block, as a share of full speed.

    Notes
    -----
    dn/dt = g (a - n) + b (a^2 - n^2), a = ((N - u0) / 900 µs)^q: a motor's torque falls with its speed
    (g, not alike with and without a brake), the air's grows with its square (b). For constant
    throttle and e = a - n this is de/dt = -e (G - b e) with G = g + 2 a b, so
    e = G e0 / (b e0 + (G - b e0) exp(G t)): exact, and e keeps its sign.
    """
    return _speeds(parameters, _Settings.of(throttle_us, restart), block_s).T


@dataclass(frozen=True, slots=True, eq=False)
class _Settings:
    """Stretches of one throttle setting each, jitter aside: edges, settings in µs, unseen before."""

    begin: Ints
    blocks: Ints
    throttle_us: Array
    unseen: list[bool]

    @classmethod
    def of(cls, throttle_us: Array, restart: NDArray[np.bool_]) -> _Settings:
        edges, asked = [0], float(throttle_us[0])
        moved = np.flatnonzero((throttle_us[1:] != throttle_us[:-1]) | restart[1:]) + 1
        for k, value in zip(moved.tolist(), throttle_us[moved].tolist(), strict=True):
            if abs(value - asked) > _JITTER_US or restart[k]:
                edges.append(k)
                asked = value
        begin = np.array(edges)
        blocks = np.array([*edges[1:], len(throttle_us)]) - begin
        return cls(begin, blocks, np.add.reduceat(throttle_us, begin) / blocks, restart[begin].tolist())


def _speeds(parameters: Array, settings: _Settings, block_s: float) -> Array:
    """As :func:`rotor_speed`, shape (m, k)."""
    u0, q = parameters[:, 0], parameters[:, 1]
    up, down, b = np.exp(parameters[:, 2:5].T)
    asked = (np.maximum(settings.throttle_us[:, None] - u0, 0.0) / _SPAN_US) ** q
    away = _away(asked, up, down, b, settings, block_s)
    rate, bend = np.where(away > 0, up, down) + 2 * asked * b, b * away
    # what is left of each change, as far as anything is
    near = np.minimum(settings.blocks, np.ceil(_ARRIVED / (rate.min(axis=1) * block_s)).astype(np.int64))
    near[np.abs(away).max(axis=1) < _STANDING] = 0
    which = np.repeat(np.arange(len(near)), near)
    since = np.arange(1, len(which) + 1) - (np.cumsum(near) - near)[which]
    rate, bend, change = (np.take(each.T, which, axis=1) for each in (rate, bend, rate * away))
    left = np.exp(np.minimum(rate * (block_s * since), _ARRIVED))
    left *= rate - bend
    left += bend
    out = np.take(asked.T, np.repeat(np.arange(len(near)), settings.blocks), axis=1)
    out[:, settings.begin[which] + since - 1] -= change / left
    mid = out.copy()
    mid[:, 1:] += out[:, :-1]
    mid[:, 1:] /= 2
    return mid


def _away(asked: Array, up: Array, down: Array, b: Array, settings: _Settings, block_s: float) -> Array:
    """How far from each setting the fan is when that begins, shape (settings, m): one after the other."""
    span_s, out = block_s * settings.blocks[:, None], np.empty_like(asked)
    rates = [g + 2 * asked * b for g in (up, down)]
    columns = [asked, *rates, *(np.exp(np.minimum(rate * span_s, _ARRIVED)) for rate in rates)]
    by_law = zip(*(column.T.tolist() for column in columns), strict=True)
    for j, (bend, lists) in enumerate(zip(b.tolist(), by_law, strict=True)):
        away: list[float] = []
        n = 0.0
        for a, faster, slower, growing, fading, unseen in zip(*lists, settings.unseen, strict=True):
            e = 0.0 if unseen or not away else a - n
            away.append(e)
            rate, grown = (faster, growing) if e > 0 else (slower, fading)
            n = a - rate * e / (bend * e + (rate - bend * e) * grown)
        out[:, j] = away
    return out


def fit_rotor(
    mean_pa: Array,
    throttle_us: Array,
    use: NDArray[np.bool_],
    restart: NDArray[np.bool_],
    block_s: float,
    start: Array | None = None,
    rounds: int = 8,
    forced: NDArray[np.bool_] | None = None,
    most_drift: float = np.inf,
) -> RotorLaw | None:
    """Fit a law by robust least squares.

    Parameters
    ----------
    mean_pa, throttle_us : ndarray, shape (k,)
        Suction in Pa and pulse width in µs of blocks that follow each other.
    use : ndarray of bool, shape (k,)
        Blocks to fit to.
    restart : ndarray of bool, shape (k,)
        Blocks before which the fan was not seen.
    block_s : float
        Length of a block, s.
    start : ndarray, shape (7,), or None
        Parameters to begin with.
    rounds : int
        Steps of the iteration.
    forced : ndarray of bool, shape (k,), or None
        Blocks that count in full however badly they fit.
    most_drift : float
        By how much the log of the gain may change over the stretch.

    Returns
    -------
    RotorLaw or None
        None where too little is usable.

    Notes
    -----
    Gauss-Newton with Cauchy weights, so that stretches on an opened seal count little, and with a weak
    belief in a usual fan, which decides what the stretch does not show. The covariance counts ten
    neighbouring blocks as one.
    """
    usable = _usable(mean_pa, use)
    if usable is None:
        return None
    (weight, loaded), k = usable, len(mean_pa)
    x = _START.copy() if start is None else start[:5].copy()
    time = np.linspace(-0.5, 0.5, k)
    belief, off = 1.0 / np.append(_BELIEF, [10.0, _DRIFT_SD]) ** 2, np.zeros(7)
    drift, gain = 0.0, None
    sensitivity, settings = np.empty((7, k)), _Settings.of(throttle_us, restart)
    sensitivity[5], sensitivity[6] = 1.0, time
    scatter, settled = 1.0, False
    for turn in range(rounds + 1):
        beside = np.where(x + _STEP > _HIGH, -_STEP, _STEP)
        trial = x[None] if settled else np.vstack([x, x + np.diag(beside)])
        square = np.maximum(_speeds(trial, settings, block_s), 1e-4) ** 2
        if gain is None:
            gain = np.log(middle(mean_pa[loaded] / square[0, loaded]))
        expected = np.exp(gain + drift * time) * square[0]
        residual = (mean_pa - expected) * weight
        scatter = _scatter(residual, use)
        if settled:
            break  # the last move was too small to change the derivative
        logs = np.log(square)
        sensitivity[:5] = (logs[1:] - logs[0]) / beside[:, None]
        # coarse to fine, so that the first guess of the gain does not decide what counts as an unseen leak
        scale = min(scatter, max(_COARSE * _FINER ** (turn + 8 - rounds), _FINE))
        trust = 1.0 / (1.0 + (residual / (_CLIP * scale)) ** 2)
        if forced is not None:
            trust[forced] = 1.0
        slope = sensitivity * (expected * weight)
        normal = (slope * trust) @ slope.T / (scatter**2 * _ALIKE)
        normal.flat[::8] += belief
        if turn == rounds:
            break
        pull = slope @ (trust * residual) / (scatter**2 * _ALIKE)
        off[:5], off[6] = x - _START, drift - _DRIFT
        pull -= belief * off
        damped = normal.copy()
        damped.flat[::8] *= 1.001
        move = np.minimum(np.maximum(np.linalg.solve(damped, pull), -_STRIDE), _STRIDE)
        x = np.minimum(np.maximum(x + move[:5], _LOW), _HIGH)
        gain, drift = gain + move[5], min(max(drift + move[6], -most_drift), most_drift)
        settled = scale <= max(_FINE, scatter) and bool((np.abs(move[:5]) < _SETTLED * _STEP).all())
    parameters = np.append(x, [gain, drift])
    return RotorLaw(parameters, expected, sensitivity.T, np.linalg.inv(normal), scatter)


def follow_rotor(
    parameters: Array,
    mean_pa: Array,
    throttle_us: Array,
    use: NDArray[np.bool_],
    restart: NDArray[np.bool_],
    block_s: float,
) -> tuple[Array, float] | None:
    """What a law fitted earlier expects of other blocks, at the gain that fits them.

    Parameters
    ----------
    parameters : ndarray, shape (7,)
        Of the law.
    mean_pa, throttle_us : ndarray, shape (k,)
        Suction in Pa and pulse width in µs of blocks that follow each other.
    use, restart : ndarray of bool, shape (k,)
        Blocks that count; blocks before which the fan was not seen.
    block_s : float
        Length of a block, s.

    Returns
    -------
    expected_pa : ndarray, shape (k,)
        Suction on one seal, Pa.
    scatter : float
        Robust standard deviation of the relative residuals of a block.
    """
    usable = _usable(mean_pa, use)
    if usable is None:
        return None
    weight, loaded = usable
    speed = _speeds(parameters[None, :5], _Settings.of(throttle_us, restart), block_s)[0]
    square = np.maximum(speed, 1e-4) ** 2
    expected = square * middle(mean_pa[loaded] / square[loaded])
    return expected, _scatter((mean_pa - expected) * weight, use)


def _usable(mean_pa: Array, use: NDArray[np.bool_]) -> tuple[Array, NDArray[np.bool_]] | None:
    """Weight of each block's residual, and which blocks are loaded; None where too little is usable."""
    ordered = np.sort(mean_pa[use])
    if len(ordered) < _LEAST_BLOCKS or ordered[-max(1, len(ordered) // 50)] <= 0:
        return None
    top = float(ordered[-max(1, len(ordered) // 50)])
    loaded = use & (mean_pa > 0.3 * top)
    if np.count_nonzero(loaded) < _LEAST_BLOCKS / 2:
        return None
    return use / np.sqrt(mean_pa * mean_pa + (_FLOOR * top) ** 2), loaded


def _scatter(residual: Array, use: NDArray[np.bool_]) -> float:
    return max(1.4826 * middle(np.abs(residual[use])), _LOUD)
