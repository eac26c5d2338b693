"""Explanations that compete for what a window shows: step, ramp, dip, a fan that did otherwise, nothing."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache

import numpy as np
from numpy.lib.stride_tricks import sliding_window_view
from numpy.typing import NDArray

from undertray.quantiles import middle
from undertray.reduce.detect.blocks import FRAME
from undertray.reduce.detect.fanmodel import Fan
from undertray.reduce.loss import LossParameters

__all__ = ["AFTER", "BEFORE", "SIZE", "Explanation", "Piece", "Window", "explain"]

Array = NDArray[np.float64]
Bools = NDArray[np.bool_]
Ints = NDArray[np.int64]

BEFORE, AFTER = 64, 96
"""Blocks before and after a frame that are looked at with it."""
SIZE = BEFORE + FRAME + AFTER
# what there is to choose from: blocks that a ramp takes, that a dip lasts, e-folding blocks of a fan
# ... each with the blocks from one start to the next
_RAMPS = ((0, 1), (2, 1), (5, 2), (10, 2), (20, 4), (40, 8), (80, 8), (160, 16))
_DIPS = ((2, 1), (3, 1), (4, 1), (5, 1), (6, 1), (8, 2), (10, 2), (12, 2), (15, 2), (18, 2), (22, 2))
_LAGS = ((5.0, 2), (15.0, 4))
_FIRST, _LAST = 2, SIZE - 2
_BEYOND = 200
_MOST = 8  # pieces of a window
_ALIKE = 4.0  # neighbouring residuals say the same over this many blocks: the road is not white
_TURNS, _FAN_TURNS, _ARRIVED = 3, 7, 0.25  # of the iteration, and standard deviations below which it ends
_DRIFT = 0.05  # of the log of the suction over half a window, of a pack that drains
_PACK = 0.2  # standard deviation of the log of the gain over a run, of a pack
_LOADED = 1.5  # below the highest, in logs: where the gain of a fan can be read
_FREE = 1e-6
_EARLY = 6  # blocks before a frame in which a fall may be found once more
_UNSURE, _NEAR = 0.1, 2  # of the change within so many blocks to either side, a law may be off
_SHORTEST = 3  # blocks: a dip that is shorter is no loss, however it is measured


@dataclass(frozen=True, slots=True)
class Piece:
    """One piece of an explanation."""

    kind: str
    at: int
    length: float
    change: float
    gain: float

    @property
    def depth(self) -> float:
        """Share of the suction that went; negative for a rise."""
        return 1.0 - float(np.exp(self.change))


@dataclass(frozen=True, slots=True, eq=False)
class Window:
    """What there is to explain. SIZE blocks."""

    throttle_us: Array | None
    unknown: Bools
    pa: Array
    seen: Bools
    begun: float
    opened: bool


@dataclass(frozen=True, slots=True, eq=False)
class Explanation:
    """The best explanation found."""

    pieces: tuple[Piece, ...]
    fan_log_pa: Array
    cost: float
    freedom: Array
    gain: float

    def deep(self, p: LossParameters) -> list[Piece]:
        """Pieces that take enough away to be a loss."""
        return [piece for piece in self.pieces if piece.kind != "fan" and piece.depth >= p.min_drop]

    def falls(self, p: LossParameters) -> list[Piece]:
        """Those that may be losses: they begin in the frame, and do not heal at once."""
        deep = self.deep(p)
        return [
            piece
            for piece in deep
            if BEFORE - _EARLY <= piece.at < BEFORE + FRAME
            and (
                piece.kind == "step"
                or piece.length >= _SHORTEST
                or any(0 < other.at - piece.at <= piece.length + 1 for other in deep)  # it goes on
            )
        ]


def explain(window: Window, fan: Fan, leave_out: tuple[int, ...], p: LossParameters) -> Explanation:
    """Explain a window by as few pieces as pay; what the frames that are left out taught does not count.

    The log of the suction is the fan's, by a law that may depart from the belief at the price of its
    covariance, plus pieces at a price each: minimised is
    ``sum w r^2 + z^T z + 2 evidence * pieces`` with r the residual in units of its scatter and z the
    departure in standard deviations. Pieces are taken in order of gain, and every one is chosen anew after
    each. A fan that did otherwise (a step through its lag) is held near nothing by the size of a sag, unless
    the pulse is not known there; so is a rise where nothing was lost before. Where a loss pays, the same is
    tried once more from the law that fits best without any, and the cheaper of the two stands.
    """
    if window.throttle_us is None or (
        window.begun == 0 and (window.throttle_us == window.throttle_us[0]).all()
    ):
        fixed = _Terms(np.zeros(SIZE), np.zeros((0, SIZE)), np.zeros(0))
        log_pa = np.log(np.maximum(window.pa, 0.0) + p.zero_pa)
        return _solved(window, fixed, middle(log_pa[window.seen]), p)
    law, covariance = fan.belief(leave_out)
    root: Array = np.asarray(np.linalg.cholesky(covariance), np.float64)
    best = _track(window, fan, law, law, root, p)
    if best.falls(p):
        begin = _without_pieces(window, fan, law, root, p)
        best = min(best, _track(window, fan, begin, law, root, p), key=lambda e: e.cost)
    return best


@dataclass(frozen=True, slots=True, eq=False)
class _Terms:
    """A law at a point: log suction without gain, slopes by the belief's own directions, departure, usual
    gain.
    """

    logs: Array
    slopes: Array
    departure: Array
    gain: float | None = None


def _track(window: Window, fan: Fan, begin: Array, law: Array, root: Array, p: LossParameters) -> Explanation:
    """Explain from one law on: linear about it, then again about where that leads."""
    assert window.throttle_us is not None
    best, now, gain = None, begin, None
    spread = np.sqrt((root * root).sum(axis=1))
    for _ in range(_TURNS):
        logs, slopes = fan.sensitive(now[None], window.throttle_us[None], np.array([window.begun]))
        terms = _Terms(
            logs[0, 0],
            root.T @ slopes[0, :, 0],
            np.asarray(np.linalg.solve(root, now - law), np.float64),
            fan.gain,
        )
        if gain is None:
            gain = _gain(window, terms.logs, p)
        found = _solved(window, terms, gain, p)
        best = found if best is None or found.cost < best.cost else best
        moved = np.clip(law + root @ found.freedom, *fan.bounds)
        gain = found.gain
        if float(np.abs((moved - now) / spread).max()) < _ARRIVED:
            break
        now = moved
    assert best is not None
    return best


def _gain(window: Window, logs: Array, p: LossParameters) -> float:
    log_pa = np.log(np.maximum(window.pa, 0.0) + p.zero_pa)
    loaded = window.seen & (logs > logs[window.seen].max() - _LOADED)
    return middle((log_pa - logs)[loaded])


def _weight(window: Window, p: LossParameters) -> Array:
    level = np.maximum(window.pa, 0.0) + p.zero_pa
    return np.where(window.seen, 1.0 / (p.noise**2 + (p.zero_pa / 3 / level) ** 2), 0.0)


def _without_pieces(window: Window, fan: Fan, law: Array, root: Array, p: LossParameters) -> Array:
    """The law that explains most of the window by itself, from several starts."""
    assert window.throttle_us is not None
    log_pa, weight = np.log(np.maximum(window.pa, 0.0) + p.zero_pa), _weight(window, p)
    laws = np.stack([law] * 4)
    laws[1, 4:6], laws[2, 4:6], laws[3, 5] = 0.0, 1.0, 0.0
    kept, costs = laws.copy(), np.full(len(laws), np.inf)
    gains = np.zeros(len(laws))
    prior = np.concatenate([[_FREE], np.ones(len(law))])
    for turn in range(_FAN_TURNS):
        logs, slopes = fan.sensitive(laws, window.throttle_us[None], np.array([window.begun]))
        for i in range(len(laws)):
            if turn == 0:
                gains[i] = _gain(window, logs[i, 0], p)
            pa = np.exp(np.clip(logs[i, 0] + gains[i], -20, 20))
            off = log_pa - np.log(pa + p.zero_pa)
            away = np.linalg.solve(root, laws[i] - law)
            cost = float(np.minimum(weight * off * off, 400.0).sum()) / _ALIKE + float(away @ away)
            if cost < costs[i]:
                costs[i], kept[i] = cost, laws[i]
            columns = np.vstack([np.ones(SIZE), root.T @ slopes[i, :, 0]]) * (pa / (pa + p.zero_pa))
            trust = weight / (1 + (off / 0.2) ** 2) / _ALIKE
            pull = columns @ (trust * off) - prior * np.append(0.0, away)
            move = np.linalg.solve((columns * trust) @ columns.T + np.diag(prior), pull)
            gains[i] += min(max(float(move[0]), -1.0), 1.0)
            laws[i] = np.clip(laws[i] + root @ np.clip(move[1:], -1.5, 1.5), *fan.bounds)
    return np.asarray(kept[int(costs.argmin())])


def _solved(window: Window, terms: _Terms, gain: float, p: LossParameters) -> Explanation:
    """The best pieces beside a law that is linear about a point."""
    log_pa = np.log(np.maximum(window.pa, 0.0) + p.zero_pa)
    pa = np.exp(np.clip(terms.logs + gain, -20, 20))
    # a zero that is off hides what is small: there the log says little, and is stretched
    share = np.maximum(pa / (pa + p.zero_pa), 1e-3)
    base = np.vstack([np.ones(SIZE), _DRIFT * np.linspace(-1, 1, SIZE), terms.slopes])
    prior = np.concatenate([[_FREE, 1.0], np.ones(len(terms.slopes))])
    known = 0.0
    if terms.gain is not None and not window.opened:  # an open seal has a gain of its own
        prior[0], known = 1 / _PACK**2, gain - terms.gain
    departure = np.concatenate([[known, 0.0], terms.departure])
    target = (log_pa - np.log(pa + p.zero_pa)) / share + departure @ base
    weight = _weight(window, p)
    # of how a fan follows its throttle no law is sure
    weight = weight / (1 + weight * (_UNSURE * _moving(terms.logs)) ** 2)
    fit = _Fit(base, prior, weight * share * share / _ALIKE, target, window, p.sag)
    chosen, gains = _chosen(fit, 2 * p.evidence)
    z, cost = fit.solve(chosen)
    kinds, first, lengths = _table()
    pieces = sorted(
        (
            Piece(("step", "dip", "fan")[kinds[i]], int(first[i]), float(lengths[i]), float(change), won)
            for i, change, won in zip(chosen, z[len(base) :], gains, strict=True)
        ),
        key=lambda piece: piece.at,
    )
    alone = terms.logs + gain + (z[: len(base)] - departure) @ base
    cost += 2 * p.evidence * len(chosen)
    return Explanation(tuple(pieces), alone, cost, z[2 : len(base)], gain + float(z[0]) - known)


def _moving(logs: Array) -> Array:
    """By how much the law changes about each block."""
    held = np.pad(logs, _NEAR, "edge")
    return np.asarray(np.ptp(sliding_window_view(held, 2 * _NEAR + 1), axis=1))


def _chosen(fit: _Fit, price: float) -> tuple[list[int], list[float]]:
    """Pieces one after the other, each chosen anew after every further one."""
    chosen: list[int] = []
    gains: list[float] = []
    while len(chosen) < _MOST:
        best, won = fit.best(chosen)
        if won < price * fit.scatter**2:
            break
        chosen.append(best)
        gains.append(won)
        for turn in range(2 if len(chosen) > 1 else 0):
            before = chosen.copy()
            for i in range(len(chosen) - (turn == 0)):
                chosen[i], gains[i] = fit.best(chosen[:i] + chosen[i + 1 :])
            if chosen == before:
                break
        weak = [i for i, won in enumerate(gains) if won < price * fit.scatter**2]
        if weak:
            del chosen[weak[0]], gains[weak[0]]
            break
    return chosen, gains


class _Fit:
    """Least squares of a window by its fan and some pieces."""

    def __init__(
        self, base: Array, prior: Array, weight: Array, target: Array, window: Window, sag: float
    ) -> None:
        self._base, self._prior, self._weight, self._target = base, prior, weight, target
        self._kinds, self._first, self._lengths = _table()
        self._tie = 1.0 / sag**2
        self._free = np.where((self._kinds == 2) & ~window.unknown[self._first], self._tie, 0.0)
        self._opened = window.opened
        self._squares = _squares(weight)
        self._cross = _products(base * weight)
        self._score = _products((target * weight)[None])[0]
        self._columns: dict[int, tuple[Array, Array]] = {}
        self._tied: set[int] = set()
        self._inverse: Array = np.zeros((0, 0))
        self.scatter = 1.0

    def _column(self, i: int) -> tuple[Array, Array]:
        if i not in self._columns:
            shape = _shape(int(self._kinds[i]), int(self._first[i]), float(self._lengths[i]))
            self._columns[i] = shape, _products((shape * self._weight)[None])[0]
        return self._columns[i]

    def solve(self, chosen: list[int]) -> tuple[Array, float]:
        """Amplitudes of fan and pieces together, and what is left."""
        design = np.vstack([self._base, *(self._column(i)[0] for i in chosen)])
        tied = [self._tie if i in self._tied else self._free[i] + _FREE for i in chosen]
        precision = np.concatenate([self._prior, tied])
        weighted = design * self._weight
        self._inverse = np.asarray(np.linalg.inv(weighted @ design.T + np.diag(precision)), np.float64)
        z = self._inverse @ (weighted @ self._target)
        left = self._target - z @ design
        squares = self._weight * left * left
        count = max(int((self._weight > 0.05 * self._weight.max()).sum()), 1)
        rms = float(np.sqrt(_ALIKE * np.minimum(squares, 9.0 / _ALIKE).sum() / count))
        self.scatter = min(max(1.0, rms), 2.0)
        return z, float(squares.sum()) + float(precision @ (z * z))

    def best(self, chosen: list[int]) -> tuple[int, float]:
        """The piece that gains most beside others, and twice what it adds to the log likelihood."""
        z, _ = self.solve(chosen)
        cross = np.vstack([self._cross, *(self._column(i)[1] for i in chosen)])
        score = self._score - np.einsum("i,ij->j", z, cross)
        # by einsum: for products of this size the threads of a BLAS cost ten times what they save
        power = self._squares - np.einsum("ij,ij->j", np.einsum("ij,jk->ik", self._inverse, cross), cross)
        tie, told = self._free.copy(), power > 0.02 * self._squares
        # nothing seals better than a seal: for a while not at all, for good by what a pack does
        told &= (score < 0) | (self._kinds != 1)
        if not self._opened:
            falls = [
                int(self._first[i])
                for i, change in zip(chosen, z[len(self._base) :], strict=True)
                if change < 0 and self._kinds[i] != 2
            ]
            rises = (score > 0) & (self._kinds == 0) & (self._first < min(falls, default=SIZE))
            tie[rises] = np.maximum(tie[rises], self._tie)
        gain = np.where(told, score * score / np.maximum(power + tie, 1e-9), 0.0)
        i = int(gain.argmax())
        (self._tied.add if tie[i] > self._free[i] else self._tied.discard)(i)
        return i, float(gain[i])


@cache
def _table() -> tuple[Ints, Ints, Array]:
    """Kind (0 step, 1 dip, 2 fan), first block and length of all pieces."""
    columns = [
        (kind, start, length)
        for kind, shapes in enumerate((_RAMPS, _DIPS, _LAGS))
        for length, every in shapes
        for start in range(_FIRST, _LAST, every)
    ]
    kinds, first, lengths = zip(*columns, strict=True)
    return np.array(kinds), np.array(first), np.array(lengths, float)


def _shape(kind: int, first: int, length: float) -> Array:
    since = np.arange(SIZE) - float(first)
    if kind == 0:
        return np.clip((since + 1) / (length + 1), 0, 1)
    if kind == 1:
        return ((since >= 0) & (since < length)).astype(float)
    return np.where(since >= 0, 1 - np.exp(-np.maximum(since + 1, 0) / length), 0.0)


def _onwards(v: Array) -> Array:
    """Sum of each row from each block on, with noughts beyond."""
    sums = np.zeros((len(v), SIZE + _BEYOND))
    sums[:, :SIZE] = np.cumsum(v[:, ::-1], axis=1)[:, ::-1]
    return sums


@cache
def _fade(lag: float, every: int) -> tuple[Array, Array]:
    """What is left of a lag block by block, and its inverse at the starts."""
    return np.exp(-np.arange(1, SIZE + 1) / lag), np.exp(np.arange(_FIRST, _LAST, every) / lag)


def _products(v: Array) -> Array:
    """Products of each row of v with all shapes, shape (rows, pieces), by running sums."""
    sums = _onwards(v)
    runs = np.zeros((len(v), SIZE + _BEYOND + 1))
    np.cumsum(sums, axis=1, out=runs[:, 1:])
    out = []
    for d, every in _RAMPS:
        rise = runs[:, _FIRST + d + 1 : _LAST + d + 1 : every] - runs[:, _FIRST:_LAST:every]
        out.append(rise / (d + 1))
    out += [sums[:, _FIRST:_LAST:every] - sums[:, _FIRST + b : _LAST + b : every] for b, every in _DIPS]
    for lag, every in _LAGS:
        fade, back = _fade(lag, every)
        out.append(sums[:, _FIRST:_LAST:every] - _onwards(v * fade)[:, _FIRST:_LAST:every] * back)
    return np.concatenate(out, axis=1)


def _squares(weight: Array) -> Array:
    """Square of each shape under the weights."""
    padded = np.concatenate([weight, np.zeros(_BEYOND)])
    sums, out = np.cumsum(padded[::-1])[::-1], []
    for d, every in _RAMPS:
        rise = (np.arange(1, d + 2) / (d + 1)) ** 2
        square = sums[_FIRST + d + 1 : _LAST + d + 1] + np.correlate(padded[_FIRST : _LAST + d], rise)
        out.append(square[::every])
    out += [sums[_FIRST:_LAST:every] - sums[_FIRST + b : _LAST + b : every] for b, every in _DIPS]
    for lag, every in _LAGS:
        fade, back = _fade(lag, every)
        once, twice = _onwards(np.stack([weight * fade, weight * fade * fade]))[:, _FIRST:_LAST:every]
        out.append(sums[_FIRST:_LAST:every] - 2 * once * back + twice * back * back)
    return np.concatenate(out)
