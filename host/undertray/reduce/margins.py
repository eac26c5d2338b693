"""What each axle had beyond what it needs, instant by instant."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from enum import Enum
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from undertray.quantiles import quantiles
from undertray.reduce.drive import Drive, drive, stretches
from undertray.reduce.longtable import Column, pieces
from undertray.reduce.loss import LOSS_KINDS

if TYPE_CHECKING:
    from undertray.reduce.hold import HoldNeed
    from undertray.reduce.loss import Loss
    from undertray.reduce.series import Series

__all__ = ["SETTLED_S", "Holding", "Margins", "Moment", "Part", "Reached", "holding", "load_margins"]

Array = NDArray[np.float64]
Mask = NDArray[np.bool_]


@dataclass(frozen=True, slots=True)
class Moment:
    """A margin at one instant: whose (``front axle``, ``rear axle``, ``whole car``), N, and when, s."""

    who: str
    margin_n: float
    at_s: float


@dataclass(frozen=True, slots=True)
class Part:
    """Margins of an axle, or the whole car, while it should hold: median, least, N, and time below 0, s."""

    who: str
    median_n: float
    least_n: float
    below_s: float


@dataclass(frozen=True, slots=True, eq=False)
class Margins:
    """Loads beyond two marks. n rows. Nothing is kept that can be worked out again."""

    names: tuple[str, ...]
    t_s: Array
    loads_n: tuple[Array | Column, ...]
    need_n: tuple[float, ...]
    stay_n: tuple[float, ...]

    @property
    def known(self) -> Mask:
        """Rows in which all were measured, shape (n,)."""
        return np.asarray(np.isfinite(self.loads_n[0]) & np.isfinite(self.loads_n[1]))

    @property
    def allowance(self) -> bool:
        """Whether the two marks differ."""
        return any(max(a, 0.0) != max(b, 0.0) for a, b in zip(self.need_n, self.stay_n, strict=True))

    def beyond_n(self, mark_n: tuple[float, ...], rows: Any = slice(None)) -> Iterator[Array]:
        """Work out what each has beyond a mark."""
        for load, needed in zip(self.loads_n, mark_n, strict=True):
            yield load[rows] - needed if needed > 0 else np.maximum(load[rows], 0.0)

    def met(self, mark_n: tuple[float, ...]) -> Mask:
        """Find the rows in which all had what a mark asks for."""
        out = np.empty(len(self.t_s), bool)
        for a, b in pieces(0, len(out)):
            out[a:b] = np.all([part >= 0 for part in self.beyond_n(mark_n, slice(a, b))], axis=0)
        return out

    def parts(self, rows: Mask, below: Mask, row_s: Column) -> tuple[Part, ...]:
        """Tell each axle by itself."""
        below_s = row_s[below]
        lacks = [float(below_s[part < 0].sum()) for part in self.beyond_n(self.need_n, below)]
        found = []
        for i, name in enumerate(self.names):
            looked = self.loads_n[i][rows]
            looked -= self.need_n[i] if self.need_n[i] > 0 else 0.0
            if not self.need_n[i] > 0:
                np.maximum(looked, 0.0, out=looked)
            least_n = float(looked.min())
            found.append(Part(name, quantiles(looked, (0.5,), spoil=True)[0], least_n, lacks[i]))
            del looked
        return tuple(found)

    def least(self, mark_n: tuple[float, ...], rows: Mask, best: bool = False) -> Moment:
        """Find the least of the margins, or the instant at which the least of them was greatest."""
        found: tuple[float, int] | None = None
        for a, b in pieces(0, len(rows)):
            at = np.flatnonzero(rows[a:b])
            worst = np.min([part[at] for part in self.beyond_n(mark_n, slice(a, b))], axis=0)
            worst[np.isnan(worst)] = -np.inf if best else np.inf
            if len(at):
                k = int(worst.argmax() if best else worst.argmin())
                value = float(worst[k])
                if found is None or (value > found[0] if best else value < found[0]):
                    found = value, a + int(at[k])
        return self.at(mark_n, 0 if found is None else found[1])

    def at(self, mark_n: tuple[float, ...], row: int) -> Moment:
        """Tell the least margin of one row."""
        beyond_n = [float(part[0]) for part in self.beyond_n(mark_n, slice(row, row + 1))]
        place = int(np.argmin(beyond_n))
        return Moment(self.names[place], beyond_n[place], float(self.t_s[row]))


def load_margins(series: Series, need: HoldNeed, stay: HoldNeed) -> Margins:
    """Work out the margins of a run."""
    loads: tuple[Array | Column, ...] = (series.front_n, series.rear_n)
    marks = [(need.front_n, stay.front_n), (need.rear_n, stay.rear_n)]
    names = ["front axle", "rear axle"]
    if need.whole_n + need.whole_u95_n > 1.000001 * (need.front_n + need.rear_n):
        names.append("whole car")
        loads = (*loads, series.downforce_n)
        marks.append((need.whole_n, stay.whole_n))
    need_n, stay_n = zip(*marks, strict=True)
    return Margins(tuple(names), series.t_s, loads, need_n, stay_n)


# From when on a run should have held, and how far it did: what the verdict is told from.

SETTLED_S = 0.2
"""How long a car has to have what it needs before it counts as holding, s."""
_LEAST_STRETCH_S = 0.5
_SPUN_UP_S = 1.0
_LONGEST_SPIN_UP_S = 5.0
_LEAST_COUNTED_S = 1.0
_UNSEEN_S, _UNSEEN = 0.1, 0.01  # in one piece, and as a share of what counts
_RUN_DOWN_S = 5.0  # within which fans have run down (common practice, no source)


class Reached(Enum):
    """How far a run came: what it had for :data:`SETTLED_S` at least once."""

    NEED = "what it needs"
    STAY = "what it takes to stay on"
    NOTHING = "neither"


@dataclass(frozen=True, slots=True, eq=False)
class Holding:
    """How a run held. n rows.

    Attributes
    ----------
    reached : Reached
        How far it came.
    allowance : bool
        Whether what it needs is more than what it takes to stay on.
    throttle : bool
        Whether a throttle says when the car should hold.
    lacking : ndarray of bool, shape (n,)
        Rows with less than it needs, whether they count or not.
    judged : ndarray of bool, shape (n,)
        Rows that are looked at for the least margins, and rows without a reading among them.
    below, short : ndarray of bool, shape (n,)
        Rows that count, with less than it needs, and with less than it takes to stay on.
    asked_s : float
        Time that the fans were asked to hold, from going up until going down for good, s.
    counted_s, below_s, short_s : float
        Time that counts, and how much of it was so, s.
    until_s : float
        When that ended, s.
    first_below, first_short : Moment or None
        Where that began.
    least, least_stay : Moment
        Least margin beyond what it needs, and beyond what it takes to stay on.
    best : Moment
        When the least of the margins beyond what it needs was greatest.
    parts : tuple of Part
        Each axle by itself: the least of them is that of ``least``.
    doubts : tuple of str
        Why it may not have held for sure; each goes on after "but".
    row_s : Column, shape (n,)
        How long each row stands for, s.
    """

    reached: Reached
    allowance: bool
    throttle: bool
    lacking: Mask
    judged: Mask
    below: Mask
    short: Mask
    asked_s: float
    counted_s: float
    until_s: float
    below_s: float
    short_s: float
    first_below: Moment | None
    first_short: Moment | None
    least: Moment
    least_stay: Moment
    best: Moment
    parts: tuple[Part, ...]
    doubts: tuple[str, ...]
    row_s: Column


def holding(series: Series, need: HoldNeed, stay: HoldNeed, events: Sequence[Loss]) -> Holding | str:
    """Find out how a run held.

    Parameters
    ----------
    series : Series
        The run over time.
    need, stay : HoldNeed
        What is needed, with the allowance of the car file and without.
    events : sequence of Loss
        What happened in it.

    Returns
    -------
    Holding or str
        Why it cannot be told, where it cannot.

    Notes
    -----
    It counts from the moment both axles have had what they need for 0.2 s without a break, while the fans
    are asked to hold, until the throttle begins to go down for good (:func:`~undertray.reduce.drive.drive`);
    each later time that they are, from a second after the throttle went up at the latest. If that never was,
    from the moment both had what it takes to stay on; if that never was either, from a second after the
    throttle went up. The least margins are taken from a second after that moment on, and wherever it fell
    back below what it had reached: a margin that rises while the fans spin up says nothing.
    """
    margins = load_margins(series, need, stay)
    known, t_s = margins.known, margins.t_s
    if len(known) < 2 or not known.any():
        return "no row has both axles measured"
    needed, stayed = margins.met(margins.need_n), margins.met(margins.stay_n)
    work = drive(series, stayed, events)
    if work.resting:
        return "the throttle was never up"
    spells = [(s.start, s.end) for s in work.spells if t_s[s.end - 1] - t_s[s.start] >= _LEAST_STRETCH_S]
    if not spells:
        return "the throttle was never up for half a second before it went down"
    levels = {Reached.NEED: needed, Reached.STAY: stayed}
    least = SETTLED_S / quantiles(np.diff(t_s), (0.5,), spoil=True)[0]
    reached = next(
        (
            r
            for r, had in levels.items()
            if any(_first_held(had, known, least, s) is not None for s in spells)
        ),
        Reached.NOTHING,
    )
    had = levels.get(reached, np.ones(len(t_s), bool))
    since, spun_up, late_s = _counted(had, known, spells, t_s, least)
    for spell in work.spells:
        for first, end in spell.losses:
            since[first:end] = spun_up[first:end] = since[:first].any()
    counted = known & (spun_up if reached is Reached.NOTHING else since)
    if not counted.any():
        return "no row has both axles measured while the throttle was up"
    told = counted & (spun_up | ~had)
    looked = told if told.any() else counted
    below, short = counted & ~needed, counted & ~stayed
    row_s = series.row_s
    counted_s = float(row_s[counted].sum())
    asked = _rows(len(t_s), spells)
    doubts = (
        *_late(late_s, reached),
        *_brief(counted_s),
        *_unseen(since, known, row_s),
        *_unknown_throttle(series, work, since, asked, stayed),
        *_uncounted_losses(series, events, work, since, stayed),
        *_passages(work),
    )
    return Holding(
        reached=reached,
        allowance=margins.allowance,
        throttle=work.told,
        lacking=known & ~needed,
        judged=looked | (since & ~known),
        below=below,
        short=short,
        asked_s=float(row_s[asked].sum()),
        counted_s=counted_s,
        until_s=float(t_s[len(counted) - 1 - int(counted[::-1].argmax())]),
        below_s=float(row_s[below].sum()),
        short_s=float(row_s[short].sum()),
        first_below=_first(margins, margins.need_n, below),
        first_short=_first(margins, margins.stay_n, short),
        least=margins.least(margins.need_n, looked),
        least_stay=margins.least(margins.stay_n, looked),
        best=margins.least(margins.need_n, asked, best=True),
        parts=margins.parts(looked, below, row_s),
        doubts=doubts,
        row_s=row_s,
    )


def _rows(n: int, spells: Sequence[tuple[int, int]]) -> Mask:
    rows = np.zeros(n, bool)
    for start, end in spells:
        rows[start:end] = True
    return rows


def _counted(
    had: Mask, known: Mask, spells: Sequence[tuple[int, int]], t_s: Array, least: float
) -> tuple[Mask, Mask, float]:
    """Rows since it first had something, those of them a second later, and for how long it had it not."""
    counted, spun_up, late_s = np.zeros(len(t_s), bool), np.zeros(len(t_s), bool), 0.0
    for start, stop in spells:
        first = _first_held(had, known, least, (start, stop))
        if counted.any():
            spun = int(np.searchsorted(t_s, t_s[start] + _SPUN_UP_S))
            first = spun if first is None else min(first, spun)
        elif first is None or t_s[first] - t_s[start] > _LONGEST_SPIN_UP_S:
            late_s += float(t_s[stop - 1 if first is None else first] - t_s[start])
        if first is None or first >= stop:
            continue
        counted[first:stop] = True
        wait_s = min(_SPUN_UP_S, (t_s[stop - 1] - t_s[first]) / 2)
        spun_up[first:stop] = t_s[first:stop] >= t_s[first] + wait_s
    return counted, spun_up, late_s


def _late(late_s: float, reached: Reached) -> tuple[str, ...]:
    if late_s <= _SPUN_UP_S:
        return ()
    return (f"the throttle was up for {late_s:.1f} s before it first had {reached.value}",)


def _brief(counted_s: float) -> tuple[str, ...]:
    return (f"only {counted_s:.2f} s of the run count",) if counted_s < _LEAST_COUNTED_S else ()


def _unseen(since: Mask, known: Mask, row_s: Column) -> tuple[str, ...]:
    gone_s = _long_s(since & ~known, since, row_s)
    return (f"for {gone_s:.2f} s of the time that counts no suction was measured",) if gone_s else ()


def _unknown_throttle(series: Series, work: Drive, since: Mask, asked: Mask, held: Mask) -> tuple[str, ...]:
    """Where the throttle is not known, though it was up when last seen or the car was held."""
    if not work.told or not since.any():
        return ()
    unknown = ~np.isfinite(series.throttle_us) & (asked | held)
    unknown[: int(since.argmax())] = False
    for spell in work.spells:  # fans that run down hold a car for a while
        if spell.end < len(unknown):
            over = int(
                np.searchsorted(series.t_s, series.t_s[min(spell.stop, len(unknown) - 1)] + _RUN_DOWN_S)
            )
            unknown[spell.end : over] &= asked[spell.end : over]
    gone_s = _long_s(unknown, since, series.row_s)
    return (f"for {gone_s:.2f} s after it first held the throttle is unknown",) if gone_s else ()


def _uncounted_losses(
    series: Series, events: Sequence[Loss], work: Drive, since: Mask, held: Mask
) -> tuple[str, ...]:
    t_s, said = series.t_s, []
    for event in events:
        at = min(int(np.searchsorted(t_s, event.onset_s)), len(t_s) - 1)
        # fans that were let down and are not seen any more may be running out
        unseen = np.isnan(series.throttle_us[at]) and since[:at].any() and not held[max(at - 1, 0)]
        if event.kind in LOSS_KINDS and work.up[at] and not since[at] and not unseen:
            said.append(
                f"a {event.kind} at {event.onset_s:.2f} s, with the throttle up, does not count in it"
            )
    return tuple(said)


def _passages(work: Drive) -> tuple[str, ...]:
    return tuple(
        f"{one.seconds:.1f} s at {one.throttle_us:.0f} µs on the way down, where it did not hold, "
        "do not count"
        for spell in work.spells
        for one in spell.passages
    )


def _long_s(rows: Mask, counted: Mask, row_s: Column) -> float:
    """Time of some rows, s; 0 where no piece of it is long, and all of it next to nothing."""
    total_s = float(row_s[rows].sum())
    longest_s = max((float(row_s[a:b].sum()) for a, b in stretches(rows)), default=0.0)
    few = longest_s <= _UNSEEN_S and total_s <= _UNSEEN * float(row_s[counted].sum())
    return 0.0 if few else total_s


def _first(margins: Margins, mark_n: tuple[float, ...], rows: Mask) -> Moment | None:
    return margins.at(mark_n, int(rows.argmax())) if rows.any() else None


def _first_held(had: Mask, known: Mask, least: float, spell: tuple[int, int]) -> int | None:
    """First row of a spell in which it had it for long enough; rows that were not measured break nothing."""
    a, b = spell
    for start, stop in stretches(had[a:b] | ~known[a:b]):
        rows = np.flatnonzero(known[a + start : a + stop])
        if len(rows) > least:
            return a + start + int(rows[0])
    return None
