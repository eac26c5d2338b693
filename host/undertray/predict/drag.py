"""What pulls along the surface tell: drag of the skirt, friction of the tyres, what the skirt carries."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from undertray.calibrate.distributions import NORMAL, RECTANGLE_95, chi_squared_tail
from undertray.errors import ReductionError, quoted
from undertray.predict.pullfit import ALONG, Balance, Measured, Scatter, Span, fit_pulls
from undertray.reduce.givenfiles import json_object, refuse_newer, write_object
from undertray.reduce.grip import Grip, grip
from undertray.reduce.pulls import WHEELS, Pull, Suction, stated_share, suction_of
from undertray.reduce.summary import Estimate, Steady, plain

if TYPE_CHECKING:
    from undertray.reduce.car import Car
    from undertray.reduce.run import Reduction

__all__ = [
    "FORMAT",
    "Contacts",
    "Drag",
    "Friction",
    "Line",
    "Numbers",
    "Of",
    "conclude",
    "is_clear",
    "pulled_car",
    "pulled_drag",
    "pulled_grip",
    "pulled_suctions",
    "read_drag",
    "share_number",
    "share_of",
    "with_drag",
    "write_drag",
]


# Two kinds of contact on the ground, tyres and skirt: what pulls say of their friction and of the share.


Array = NDArray[np.float64]
Numbers = Mapping[str, float]
Of = Callable[[Numbers], float]
_DISAGREE = 0.01
# rubber on dry ground, and how many times surfaces make it more or less (common practice, no source);
# kilograms read as newtons make it a tenth
_USUAL_MU, _FAR_TIMES, _MOST_TIMES = 0.8, 2.0, 5.0


@dataclass(frozen=True, slots=True)
class Contacts:
    """Friction and shares by one kind of pull, as functions of the numbers that were measured.

    Attributes
    ----------
    kind : str
        ``breakaway`` or ``moving``.
    weight_n : float
        Weight, N.

    Notes
    -----
    :func:`undertray.predict.drag.conclude` has the statics.
    """

    kind: str
    weight_n: float

    def tyres(self, m: Numbers) -> float:
        """Friction number of the tyres."""
        return m[f"{self.kind}.locked.level_n"] / self.weight_n

    def tyres_more(self, m: Numbers) -> float:
        """Friction that each newton adds on tyres that carry the weight already."""
        return self.tyres(m) * (1 - m.get("tyres_fall", 0.0))

    def grip_n(self, m: Numbers, load_n: Array, standing_n: float) -> Array:
        """Friction of tyres under a load, N; ``standing_n`` is what they had of the weight, pulled."""
        more_n = np.maximum(load_n - standing_n, 0.0)
        return np.asarray(self.tyres(m) * (load_n - more_n) + self.tyres_more(m) * more_n)

    def level(self, m: Numbers) -> float:
        """Pull of the free wheels without suction over the weight."""
        return m[f"{self.kind}.free.level_n"] / self.weight_n

    def rolling(self, m: Numbers) -> float:
        """Rolling resistance of the wheels: some part of that level."""
        return m["rolling_share"] * self.level(m)

    def free(self, m: Numbers) -> float:
        """What each newton of suction adds with the wheels free."""
        return m[f"{self.kind}.free.per_n"]

    def locked(self, m: Numbers) -> float:
        """What each newton of suction adds with the wheels locked."""
        return m[f"{self.kind}.locked.per_n"]

    def skirt(self, m: Numbers) -> float:
        """Friction number of the skirt alone."""
        return m[f"{self.kind}.none.mu"]

    def tyres_over_rolling(self, m: Numbers) -> float:
        """Friction that a newton more on the tyres adds, above that of rolling."""
        return self.tyres_more(m) - self.rolling(m)

    def tyres_over_skirt(self, m: Numbers) -> float:
        """Friction that a newton more on the tyres adds, above that of the skirt."""
        return self.tyres_more(m) - self.skirt(m)

    def skirt_over_rolling(self, m: Numbers) -> float:
        """Friction of the skirt above that of rolling wheels."""
        return self.skirt(m) - self.rolling(m)

    def share(self, m: Numbers) -> float:
        """Share of the skirt, by free and locked pulls."""
        return 1 - _ratio(self.locked(m) - self.free(m), self.tyres_over_rolling(m))

    def share_by_free(self, m: Numbers) -> float:
        """Share of the skirt, by free pulls and the skirt alone."""
        return _ratio(self.free(m) - self.rolling(m), self.skirt_over_rolling(m))

    def share_by_locked(self, m: Numbers) -> float:
        """Share of the skirt, by locked pulls and the skirt alone."""
        return _ratio(self.tyres_more(m) - self.locked(m), self.tyres_over_skirt(m))

    def skirt_at_work(self, m: Numbers) -> float:
        """Friction number of the skirt, by free and locked pulls."""
        share = self.share(m)
        return _ratio(self.free(m) - self.rolling(m) * (1 - share), share)

    def least_share(self, m: Numbers) -> float:
        """Least share of the skirt that locked pulls leave."""
        return 1 - _ratio(self.locked(m), self.tyres_more(m))


def _ratio(above: float, below: float) -> float:
    return above / below if below else math.nan


def is_clear(measured: Measured, of: Of) -> bool:
    """Say whether a number is not 0 for sure, so that another can be divided by it."""
    found = measured.estimate(of)
    return found.u95 is not None and abs(found.mean) > found.u95  # never, for what is no number


def share_of(measured: Measured, weight_n: float) -> tuple[Estimate | None, tuple[str, ...]]:
    """Share of the suction force that the skirt carries, by all the ways that pulls tell it.

    Parameters
    ----------
    measured : Measured
        The lines.
    weight_n : float
        Weight, N.

    Returns
    -------
    share : Estimate or None
        None where no pull tells it.
    notices : tuple of str
        Where the ways disagree.

    Notes
    -----
    :func:`undertray.predict.drag.conclude` has the ways.
    """
    number = share_number(measured, weight_n)
    if number is None:
        return None, ()
    found = measured.estimate(number)
    ways, _, inverse = _weighed(measured, weight_n)
    numbers = dict(zip(measured.names, measured.values, strict=True))
    off = np.array([way(numbers) for way in ways]) - found.mean
    chi_squared = float(off @ inverse @ off)
    said: tuple[str, ...] = ()
    if len(ways) > 1 and chi_squared_tail(chi_squared, len(ways) - 1) < _DISAGREE:
        told = ", ".join(f"{way(numbers):.2f}" for way in ways)
        said = (
            f"the ways to find what the skirt carries do not agree ({told}): friction may change with load,"
            " or the skirt carry weight with the fans off",
        )
    return found, said


def share_number(measured: Measured, weight_n: float) -> Of | None:
    """The share as a function of what was measured."""
    ways, weights, _ = _weighed(measured, weight_n)
    if not ways:
        return None
    return lambda m: sum(w * way(m) for w, way in zip(weights, ways, strict=True))


def _weighed(measured: Measured, weight_n: float) -> tuple[list[Of], list[float], Array]:
    """The ways, the weight of each by how well it is known, and the inverse of their covariance.

    What they have in common, which no pull tells, is nearly the same in all: least squares with the
    covariance would take one way away from another to be rid of it.
    """
    ways = _ways(measured, weight_n)
    if not ways:
        return [], [], np.empty((0, 0))
    slopes = np.array([measured.gradient(way) for way in ways]).reshape(len(ways), len(measured.names))
    covariance = slopes @ measured.covariance() @ slopes.T
    weights = 1 / np.maximum(np.diag(covariance), 1e-18)
    inverse = np.linalg.pinv(covariance, rcond=1e-9, hermitian=True)
    return ways, (weights / weights.sum()).tolist(), inverse


def _ways(measured: Measured, weight_n: float) -> list[Of]:
    ways: list[Of] = []
    for kind in ALONG:
        named = Contacts(kind, weight_n)
        free, locked = f"{kind}.free.per_n" in measured, f"{kind}.locked.per_n" in measured
        if f"{kind}.none.mu" in measured:
            if free and is_clear(measured, named.skirt_over_rolling):
                ways.append(named.share_by_free)
            if locked and is_clear(measured, named.tyres_over_skirt):
                ways.append(named.share_by_locked)
        elif free and locked and is_clear(measured, named.tyres_over_rolling):
            ways.append(named.share)
    return ways


@dataclass(frozen=True, slots=True)
class Line:
    """Pulls of one kind: ``F = level_n + per_n S`` at the suction force S."""

    span: Span
    level_n: Estimate
    per_n: Estimate | None


@dataclass(frozen=True, slots=True)
class Friction:
    """Friction numbers by one kind of pull; None where no pull tells them."""

    kind: str
    tyre_mu: Estimate | None
    rolling: Estimate | None
    skirt_mu: Estimate | None


@dataclass(frozen=True, slots=True)
class Drag:
    """What pulls along level ground tell of a car."""

    car: str
    run: str
    weight_n: float
    calibrated: bool
    measured: Measured
    lines: tuple[Line, ...]
    frictions: tuple[Friction, ...]
    share: Estimate | None
    share_at_least: float | None
    missing: tuple[str, ...]
    notices: tuple[str, ...] = ()

    def kind_of(self, wheels: str) -> str | None:
        """Kind of pull that has a line for wheels in this state."""
        return next((kind for kind in ALONG if f"{kind}.{wheels}.per_n" in self.measured), None)

    def force_n(self, suction_n: float, wheels: str = "free", kind: str | None = None) -> Estimate | None:
        """Pull that it takes at a suction force."""
        name = f"{kind or self.kind_of(wheels)}.{wheels}"
        if f"{name}.per_n" not in self.measured:
            return None
        return self.estimate(
            lambda m: m[f"{name}.level_n"] + m[f"{name}.per_n"] * suction_n / m["suction_scale"]
        )

    def tyre_mu(self, kind: str | None = None) -> Estimate | None:
        """Friction number of the tyres."""
        of_kind = (one.tyre_mu for one in self.frictions if kind in (None, one.kind))
        return next((mu for mu in of_kind if mu is not None), None)

    def estimate(self, of: Of) -> Estimate:
        """A number that follows from the pulls and hangs on the suction."""
        found = self.measured.estimate(of)
        return found if self.calibrated else replace(found, u95=None)


def pulled_drag(
    reduction: Reduction, car: Car, pulls: Sequence[Pull], balance: Balance | None = None
) -> Drag:
    """Find out what pulls along level ground tell.

    Parameters
    ----------
    reduction : Reduction
        The run in which they were made.
    car : Car
        The car as it was pulled, for its weight.
    pulls : sequence of Pull
        Readings of the balance; pull-offs do not count.
    balance : Balance or None
        How well it reads; the usual values if left out.

    Returns
    -------
    Drag

    Raises
    ------
    ReductionError
        When no pull is along the surface, or the run has no suction where one was noted.

    Notes
    -----
    The uncertainty of the suction is the share that the run states for its steady downforce; what follows
    from it is said at :func:`conclude`.
    """
    along = [pull for pull in pulls if pull.kind in ALONG]
    if not along:
        raise ReductionError(
            "no pull along the surface",
            where=reduction.run,
            expected="lines of kind 'breakaway' or 'moving'",
            do="'undertray force-check' reads pull-offs",
        )
    off = stated_share(reduction)
    share = None if off is None else off / NORMAL
    with_suction = [
        *pulled_suctions(reduction, along),
        *((pull, None) for pull in along if pull.wheels == "none"),
    ]
    measured, spans, notices = fit_pulls(with_suction, car.weight_n, balance or Balance(), share)
    _refuse_swapped(reduction.run, measured, spans)
    said = _friction_said(reduction.run, car, measured)
    return conclude(
        car.name, reduction.run, car.weight_n, share is not None, measured, spans, (*notices, *said)
    )


def _refuse_swapped(run: str, measured: Measured, spans: Sequence[Span]) -> None:
    """What rolls is pulled along with less than what is locked, whatever the suction."""
    for kind in ALONG:
        lines = {span.wheels: span for span in spans if span.kind == kind}
        if not all(f"{kind}.{wheels}.level_n" in measured for wheels in ("free", "locked")):
            continue
        both = all(f"{kind}.{wheels}.per_n" in measured for wheels in ("free", "locked"))
        for at_n in (0.0, min(lines["free"].high_n, lines["locked"].high_n) if both else 0.0):

            def more_n(m: Numbers, kind: str = kind, at_n: float = at_n) -> float:
                free, locked = (
                    m[f"{kind}.{wheels}.level_n"] + m.get(f"{kind}.{wheels}.per_n", 0.0) * at_n
                    for wheels in ("free", "locked")
                )
                return locked - free

            found = measured.estimate(more_n)
            if found.u95 is not None and found.mean + found.u95 < 0:
                raise ReductionError(
                    f"{kind} pulls take less with the wheels locked than free",
                    where=run,
                    seen=f"{found.mean:.3g} N at {at_n:.1f} N of suction",
                    expected="more with them locked",
                    do="look whether 'free' and 'locked' were swapped",
                )


def _friction_said(run: str, car: Car, measured: Measured) -> tuple[str, ...]:
    """What locked pulls say of the tyres beside what the car file does."""
    expected = _USUAL_MU if car.tyre_mu is None else car.tyre_mu
    source = "usual" if car.tyre_mu is None else "in the car file"
    said = []
    for kind in ALONG:
        if f"{kind}.locked.level_n" not in measured:
            continue
        mu = measured[f"{kind}.locked.level_n"] / car.weight_n
        times = mu / expected
        if not 1 / _MOST_TIMES <= times <= _MOST_TIMES:
            raise ReductionError(
                f"{kind} pulls with wheels locked cannot be those of this car",
                where=run,
                seen=f"a friction of the tyres of {mu:.2g}",
                expected=f"about the {expected:g} that is {source}",
                do=(
                    "if these are kilograms: pull_kg in the header"
                    if times < 1
                    else "if these are newtons: pull_n in the header"
                ),
            )
        if not 1 / _FAR_TIMES <= times <= _FAR_TIMES:
            said.append(
                f"{kind} pulls with wheels locked say {mu:.2g} of friction, {expected:g} is {source}: look at"
                " the unit of the pulls, the mass, and whether all wheels were locked"
            )
    return tuple(said)


def pulled_suctions(reduction: Reduction, pulls: Sequence[Pull]) -> list[tuple[Pull, Suction]]:
    """Pulls of a car along the surface, each with the suction of its moment."""
    return [(p, suction_of(reduction, p)) for p in pulls if p.kind in ALONG and p.wheels != "none"]


def conclude(
    car: str,
    run: str,
    weight_n: float,
    calibrated: bool,
    measured: Measured,
    spans: Sequence[Span],
    notices: Sequence[str] = (),
    *,
    judged: bool = False,
) -> Drag:
    """Say what follows from the lines of pulls, and what does not.

    Parameters
    ----------
    car, run : str
        Their names.
    weight_n : float
        Weight, N.
    calibrated : bool
        Whether the uncertainty of the suction is in ``measured``.
    measured : Measured
        The lines.
    spans : sequence of Span
        What was pulled.
    notices : sequence of str
        What has to be said already.
    judged : bool
        Whether what is to be said of their agreement is in ``notices`` already.

    Returns
    -------
    Drag

    Notes
    -----
    On level ground the tyres carry ``N = W + (1 - s) S`` and the skirt ``s S``, S the suction force, s the
    share. With Coulomb friction of the numbers m_t of the tyres, m_s of the skirt, c of the rolling wheels,
    and a brake b that does not change with load, it takes

    | wheels locked: ``m_t (W + (1 - f)(1 - s) S) + m_s s S``, a level ``m_t W`` and a slope
      ``m_t (1 - f)(1 - s) + m_s s``
    | wheels free: ``b + c (W + (1 - s) S) + m_s s S``, a level ``b + c W`` and a slope ``c (1 - s) + m_s s``
    | the skirt alone under the load P: ``m_s P``.

    f is what each newton more on the tyres adds less than its share, as friction numbers of rubber fall with
    load: taken as 0.07 with a standard deviation of 0.06, which is what a power of the load between 0 and
    -0.1 gives at twice to three times the weight (common practice, no source). No pull tells it apart from
    the share, so it is in the interval of the share, and of what follows from it.

    So: m_t is the level of the locked pulls over the weight. c and b are not told apart: c lies between 0
    and the level of the free pulls over the weight, and is taken as anything in between (a rectangle). The
    slope of the free pulls is the drag that each newton of suction costs, whatever it is made of. The share
    follows from

    | free and locked: ``1 - s = (k_locked - k_free)/(m_t (1 - f) - c)``: the skirt drops out of the
      difference, which is the load on the tyres at work, so no friction of the skirt is needed;
    | free and the skirt alone: ``s = (k_free - c)/(m_s - c)``;
    | locked and the skirt alone: ``s = (m_t (1 - f) - k_locked)/(m_t (1 - f) - m_s)``, unless both rub alike.

    One of them suffices; those that there are go together, each with its weight by its uncertainty, and
    where they differ by more than chance, that is said: friction that falls faster with load does it, as
    does a skirt that carries weight with the fans off. Free pulls alone say nothing of s: a little of a
    skirt that rubs much drags as much as a lot of one that slides. Locked pulls alone, with m_s not below 0,
    leave ``s >= 1 - k_locked/(m_t (1 - f))``.

    References
    ----------
    Coulomb friction and rolling resistance: any textbook of statics.
    """
    lines = tuple(_line(span, measured) for span in spans if _level(span) in measured)
    share, said = share_of(measured, weight_n)
    share = share if share is None or calibrated else replace(share, u95=None)
    draft = Drag(
        car=car,
        run=run,
        weight_n=weight_n,
        calibrated=calibrated,
        measured=measured,
        lines=lines if calibrated else tuple(_bare(line) for line in lines),
        frictions=(),
        share=share,
        share_at_least=None if share is not None else _at_least(measured, weight_n),
        missing=_missing(measured, share is not None),
        notices=tuple(notices) if judged else (*notices, *said),
    )
    return replace(draft, frictions=tuple(_frictions(draft)))


def _level(span: Span) -> str:
    return f"{span.name}.mu" if span.wheels == "none" else f"{span.name}.level_n"


def _line(span: Span, measured: Measured) -> Line:
    level, per = _level(span), f"{span.name}.per_n"
    return Line(
        span,
        measured.estimate(lambda m: m[level]),
        measured.estimate(lambda m: m[per]) if per in measured else None,
    )


def _bare(line: Line) -> Line:
    return replace(line, per_n=line.per_n and replace(line.per_n, u95=None))


def _at_least(measured: Measured, weight_n: float) -> float | None:
    least = []
    for kind in ALONG:
        if f"{kind}.locked.per_n" in measured and measured[f"{kind}.locked.level_n"] > 0:
            found = measured.estimate(Contacts(kind, weight_n).least_share)
            if found.u95 is not None and math.isfinite(found.mean):
                least.append(max(0.0, found.mean - found.u95))
    return max(least, default=None)


def _frictions(drag: Drag) -> Iterator[Friction]:
    measured = drag.measured
    for kind in ALONG:
        named = Contacts(kind, drag.weight_n)
        locked, free = f"{kind}.locked.level_n" in measured, f"{kind}.free.level_n" in measured
        skirt = None
        if f"{kind}.none.mu" in measured:
            skirt = measured.estimate(named.skirt)
        elif all(f"{kind}.{wheels}.per_n" in measured for wheels in ("free", "locked")) and all(
            is_clear(measured, number) for number in (named.tyres_over_rolling, named.share)
        ):
            skirt = drag.estimate(named.skirt_at_work)
        if locked or free or skirt:
            yield Friction(
                kind,
                measured.estimate(named.tyres) if locked else None,
                measured.estimate(named.level) if free else None,
                skirt,
            )


def _missing(measured: Measured, share_known: bool) -> tuple[str, ...]:
    def any_of(name: str) -> bool:
        return any(f"{kind}.{name}" in measured for kind in ALONG)

    missing = []
    if not any_of("free.per_n"):
        missing.append("drag of the skirt: pull with the wheels free, with the fans off and at two throttles")
    if not any_of("locked.level_n"):
        missing.append("friction of the tyres: pull with the wheels locked and the fans off")
    if not share_known:
        if any_of("free.per_n"):
            how = (
                "pull with the wheels locked too, with the fans off and at two throttles, or the skirt alone"
            )
        elif any_of("locked.per_n"):
            how = "pull with the wheels free too, with the fans off and at two throttles, or the skirt alone"
        else:
            how = "pull with the wheels free and with them locked, with the fans off and at two throttles"
        missing.append(f"what the skirt carries of the suction: {how}")
    return tuple(missing)


# What pulls told of a car, kept in a file as the fans' reference is.


FORMAT = 1
_MAX_BYTES = 100_000
_MOST = 1e6
_KIND = "undertray drag"
_NAMES = {
    *(f"{kind}.{wheels}.{what}" for kind in ALONG for wheels in WHEELS[:2] for what in ("level_n", "per_n")),
    *(f"{kind}.none.mu" for kind in ALONG),
    "rolling_share",
    "suction_scale",
    "tyres_fall",
}


def write_drag(drag: Drag, path: str | Path) -> None:
    """Save it; the same drag gives the same bytes."""
    data = {
        "format": FORMAT,
        "kind": _KIND,
        "car": drag.car,
        "run": drag.run,
        "weight_n": drag.weight_n,
        "calibrated": drag.calibrated,
        "pulls": [line.span for line in drag.lines],
        "numbers": dict(zip(drag.measured.names, drag.measured.values, strict=True)),
        "scatter": [
            {"covariance": one.covariance, "dof": None if math.isinf(one.dof) else one.dof}
            for one in drag.measured.scatter
        ],
        "shared": drag.measured.shared,
        "notices": drag.notices,
    }
    write_object(plain(data), path, "drag")


def read_drag(path: str | Path) -> Drag:
    """Read what pulls told."""
    where = Path(path).name
    data = json_object(
        Path(path),
        where,
        "a drag file",
        "pull-test",
        _MAX_BYTES,
        "give what 'undertray pull-test --out' wrote",
    )
    refuse_newer(data.get("format"), FORMAT, "drag", where)
    numbers = _numbers(data, where)
    names = tuple(numbers)
    measured = Measured(
        names,
        _row(list(numbers.values()), len(names), where),
        _scatter(data.get("scatter"), len(names), where),
        _shared(data.get("shared"), len(names), where),
    )
    return conclude(
        str(data.get("car", ""))[:64],
        str(data.get("run", ""))[:200],
        _number(data.get("weight_n"), where, 1e-3, _MOST),
        data.get("calibrated") is True,
        measured,
        _spans(data.get("pulls"), where),
        _notices(data.get("notices"), where),
        judged=True,
    )


def _numbers(data: Mapping[str, Any], where: str) -> Mapping[str, Any]:
    if data.get("format") != FORMAT or data.get("kind") != _KIND:
        raise _no_drag(where, "what 'undertray pull-test --out' writes")
    numbers = data.get("numbers")
    if not isinstance(numbers, dict) or not set(numbers) <= _NAMES:
        raise _no_drag(where, "the numbers of lines of pulls")
    needed = {"suction_scale"}
    needed |= {name.replace(".per_n", ".level_n") for name in numbers}
    needed |= {"rolling_share" for name in numbers if ".free." in name}
    if needed - set(numbers):
        raise _no_drag(where, f"also {sorted(needed - set(numbers))[0]}")
    return numbers


def _notices(value: object, where: str) -> tuple[str, ...]:
    if not isinstance(value, list) or not all(isinstance(one, str) for one in value[:20]):
        raise _no_drag(where, "notices, a list of texts")
    return tuple(one[:400] for one in value[:20])


def _no_drag(where: str, expected: str) -> ReductionError:
    return ReductionError(
        "not a drag file", where=where, expected=expected, do="give what 'undertray pull-test --out' wrote"
    )


def _number(value: object, where: str, low: float = -_MOST, high: float = _MOST) -> float:
    if isinstance(value, bool) or not isinstance(value, int | float) or not low <= value <= high:
        raise ReductionError(
            "bad number in a drag file", where=where, seen=value, expected=f"from {low:g} to {high:g}"
        )
    return float(value)


def _row(value: object, n: int, where: str) -> tuple[float, ...]:
    if not isinstance(value, list) or len(value) != n:
        raise _no_drag(where, f"lists of {n} numbers")
    return tuple(_number(one, where) for one in value)


def _scatter(value: object, n: int, where: str) -> tuple[Scatter, ...]:
    if not isinstance(value, list) or len(value) > len(ALONG):
        raise _no_drag(where, "the scatter of each kind of pull")
    found = []
    for one in value:
        rows = one.get("covariance") if isinstance(one, dict) else None
        if not isinstance(rows, list) or len(rows) != n:
            raise _no_drag(where, f"covariances of {n} rows")
        covariance = tuple(_row(row, n, where) for row in rows)
        matrix = np.array(covariance).reshape(n, n)
        least = float(np.linalg.eigvalsh(matrix).min()) if n else 0.0
        if not np.allclose(matrix, matrix.T, rtol=1e-6) or least < -1e-6 * float(
            np.abs(matrix).max(initial=0)
        ):
            raise _no_drag(where, "covariances that can be")
        dof = one.get("dof")
        found.append(Scatter(covariance, math.inf if dof is None else _number(dof, where, 1.0, 1e4)))
    return tuple(found)


def _shared(value: object, n: int, where: str) -> dict[str, tuple[float, ...]]:
    if not isinstance(value, dict) or not set(value) <= {"balance", "suction", "rolling", "tyres"}:
        raise _no_drag(where, "shared errors of balance, suction, rolling and tyres")
    return {source: _row(moved, n, where) for source, moved in value.items()}


def _spans(value: object, where: str) -> tuple[Span, ...]:
    if not isinstance(value, list) or len(value) > len(ALONG) * len(WHEELS):
        raise _no_drag(where, "the pulls it rests on")
    found = []
    for one in value:
        if not isinstance(one, dict) or one.get("kind") not in ALONG or one.get("wheels") not in WHEELS:
            raise _no_drag(where, "pulls of a known kind")
        low, high = _number(one.get("low_n"), where), _number(one.get("high_n"), where)
        pulls = int(_number(one.get("pulls"), where, 1, _MOST))
        found.append(Span(one["kind"], one["wheels"], pulls, low, high))
    return tuple(found)


# Grip with the load that is on the tyres: what pulls told put into a reduction.


_BEYOND = 1.1  # of the greatest suction pulled at: within it a line is no guess


def pulled_car(car: Car, drag: Drag, suction_n: float = 0.0) -> Car:
    """A car with the friction that its tyres had when pulled, at their load at a suction."""
    mu = _mu_at(drag, suction_n)
    if mu is None or mu.mean <= 0:
        return car
    within = car.tyre_mu_within if mu.u95 is None else mu.u95 / RECTANGLE_95
    return replace(car, tyre_mu=mu.mean, tyre_mu_within=within)


def _mu_at(drag: Drag, suction_n: float) -> Estimate | None:
    """Friction number of the tyres with what the skirt leaves them of a suction force."""
    mu, share = drag.tyre_mu(), share_number(drag.measured, drag.weight_n)
    kind = next((one.kind for one in drag.frictions if one.tyre_mu is not None), None)
    if mu is None or kind is None:
        return mu
    contacts = Contacts(kind, drag.weight_n)

    def at_load(m: Numbers) -> float:
        tyres = 1.0 if share is None else min(1.0, max(0.0, 1 - share(m)))
        load_n = drag.weight_n + tyres * max(0.0, suction_n) / m["suction_scale"]
        return float(contacts.grip_n(m, np.array(load_n), drag.weight_n)) / load_n

    return drag.measured.estimate(at_load)


def pulled_grip(steady: Steady, car: Car, drag: Drag, speeds_m_s: Sequence[float] = ()) -> Grip | None:
    """Grip that a suction buys, with the load that is on the tyres.

    Parameters
    ----------
    steady : Steady
        Forces of the steady part of a run.
    car : Car
        The car.
    drag : Drag
        What pulls told of it.
    speeds_m_s : sequence of float
        As for :func:`undertray.reduce.grip.grip`.

    Returns
    -------
    Grip or None
        None where neither the pulls nor the car file tell the friction of the tyres.

    Notes
    -----
    The tyres have ``W cos A + (1 - s) D``, and their friction number is that of the locked pulls where there
    are such, less what it loses to the load on level ground. Drag is that of the free pulls that keep moving
    at this suction, or that just move where there are no others; it is taken as on level ground. The share,
    the force and the drag are taken as independent of one another. On a wall or upside down a skirt on
    springs gives some of the weight back to the tyres; that is left out, so they may have more.
    """
    forces = steady.downforce_n, steady.front_n, steady.rear_n
    share = drag.share and Estimate(min(1.0, max(0.0, drag.share.mean)), drag.share.u95)
    kind = "moving" if "moving.free.per_n" in drag.measured else None
    return grip(
        pulled_car(car, drag, forces[0].mean),
        forces[0].mean,
        forces[1].mean,
        forces[2].mean,
        speeds_m_s,
        (forces[0].u95, forces[1].u95, forces[2].u95),
        share,
        drag.force_n(steady.downforce_n.mean, kind=kind),
    )


def with_drag(reduction: Reduction, car: Car, drag: Drag, speeds_m_s: Sequence[float] = ()) -> Reduction:
    """Work out the grip of a run again, with the load that is on the tyres."""
    if reduction.steady is None:
        return reduction
    found = pulled_grip(reduction.steady, car, drag, speeds_m_s)
    said = []
    if drag.car != car.name:
        said.append(f"the pulls are of {quoted(drag.car)}, the run is of {quoted(car.name)}")
    if found is not None and drag.share is None:
        said.append(
            "grip is as if all suction pressed on the tyres: the pulls did not show what the skirt carries"
        )
    most_n = max((line.span.high_n for line in drag.lines if line.per_n is not None), default=0.0)
    suction_n = reduction.steady.downforce_n.mean
    if found is not None and found.drag_n is not None and suction_n > _BEYOND * most_n:
        said.append(
            f"the drag at {suction_n:.1f} N of suction is carried on beyond the pulls, which went up to"
            f" {most_n:.1f} N"
        )
    return replace(reduction, grip=found, notices=(*reduction.notices, *said))
