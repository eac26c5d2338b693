"""What pulls along the surface tell: drag of the skirt, friction of the tyres, what the skirt carries."""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

from undertray.errors import ReductionError
from undertray.predict.contacts import Contacts, Of, is_clear, share_of
from undertray.predict.measured import Measured
from undertray.predict.pullfit import ALONG, Balance, Span, fit_pulls
from undertray.reduce.pulls import Pull, Suction, suction_of
from undertray.reduce.summary import Estimate
from undertray.reduce.uncertainty import NORMAL

if TYPE_CHECKING:
    from undertray.reduce.car import Car
    from undertray.reduce.run import Reduction

__all__ = ["Drag", "Friction", "Line", "conclude", "pulled_drag", "pulled_suctions"]


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
    stated = reduction.steady.downforce_n if reduction.steady is not None else reduction.downforce_n
    share = None if stated.u95 is None or stated.mean <= 0 else stated.u95 / stated.mean / NORMAL
    with_suction = [
        *pulled_suctions(reduction, along),
        *((pull, None) for pull in along if pull.wheels == "none"),
    ]
    measured, spans, notices = fit_pulls(with_suction, car.weight_n, balance or Balance(), share)
    return conclude(car.name, reduction.run, car.weight_n, share is not None, measured, spans, notices)


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

    | wheels locked: ``m_t (W + (1 - s) S) + m_s s S``, a level ``m_t W`` and a slope ``m_t (1 - s) + m_s s``
    | wheels free: ``b + c (W + (1 - s) S) + m_s s S``, a level ``b + c W`` and a slope ``c (1 - s) + m_s s``
    | the skirt alone under the load P: ``m_s P``.

    So: m_t is the level of the locked pulls over the weight. c and b are not told apart: c lies between 0
    and the level of the free pulls over the weight, and is taken as anything in between (a rectangle). The
    slope of the free pulls is the drag that each newton of suction costs, whatever it is made of. The share
    follows from

    | free and locked: ``1 - s = (k_locked - k_free)/(m_t - c)``: the skirt drops out of the difference, which
      is the load on the tyres at work, so no friction of the skirt is needed;
    | free and the skirt alone: ``s = (k_free - c)/(m_s - c)``;
    | locked and the skirt alone: ``s = (m_t - k_locked)/(m_t - m_s)``, unless both rub alike.

    One of them suffices; those that there are go together by least squares with their covariance, and
    where they differ by more than chance, that is said: friction that falls with load does it, as does a
    skirt that carries weight with the fans off. Free pulls alone say nothing of s: a little of a skirt that
    rubs much drags as much as a lot of one that slides. Locked pulls alone, with m_s not below 0, leave
    ``s >= 1 - k_locked/m_t``.

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
