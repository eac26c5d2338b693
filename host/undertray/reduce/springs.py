"""The springs of a car and what stands on them: ``[ride]`` of ``car.toml``."""

from __future__ import annotations

from dataclasses import dataclass

from undertray.reduce.tomltables import Table, refuse_unknown, table

__all__ = ["Springs", "read_springs"]

_KEYS = frozenset(
    (
        *("front_rate", "rear_rate", "rate_of", "rate_within"),
        *("front_clearance", "rear_clearance", "clearance_within"),
        *("skirt_area", "skirt_preload", "skirt_rate", "skirt_lever", "gap_follows"),
    )
)
_RATES = ("axle", "wheel")
_STIFFEST_N_MM, _HIGHEST_MM, _LARGEST_MM2, _STRONGEST_N, _LONGEST = 1e4, 200.0, 1e6, 1e3, 10.0
_USUAL_WITHIN, _USUAL_WITHIN_MM = 0.1, 0.1  # a kitchen scale and a ruler (common practice, no source)


@dataclass(frozen=True, slots=True)
class Springs:
    """Springs of a car as a person measured them.

    Attributes
    ----------
    front_n_mm, rear_n_mm : float
        Rate of each axle, both wheels together, tyres in, N/mm.
    front_clearance_mm, rear_clearance_mm : float
        Between surface and the lowest fixed part at each axle, ready to run, level, fans off, mm. The lowest
        fixed part is the edge of a stiff skirt, or what carries a soft one.
    rate_within : float
        Half of the width that rates and spring forces are known within, as a share of them.
    clearance_within_mm : float
        Half of the width that the clearances are known within, mm.
    skirt_area_mm2, skirt_preload_n : float or None
        Area of a sprung skirt that suction acts on, and the force with which its edge presses on the surface
        with the fans off, where given.
    skirt_n_mm : float
        How much that force grows as the car sinks, at the edge, N/mm.
    skirt_lever : float
        From the hinge to the middle of that area, over from the hinge to the edge: 0.5 for a plain flap, 1
        for a skirt that slides up and down.
    gap_follows : float or None
        How much of the sink of the car the gap sees: 1 for a stiff skirt, 0 for one that stays down.
    """

    front_n_mm: float
    rear_n_mm: float
    front_clearance_mm: float
    rear_clearance_mm: float
    rate_within: float = _USUAL_WITHIN
    clearance_within_mm: float = _USUAL_WITHIN_MM
    skirt_area_mm2: float | None = None
    skirt_preload_n: float | None = None
    skirt_n_mm: float = 0.0
    skirt_lever: float = 1.0
    gap_follows: float | None = None


def read_springs(data: object, where: str) -> Springs:
    """Check a table ``[ride]``."""
    own = table(data, where)
    refuse_unknown(own, _KEYS, where)
    read = Table(own, where, bare=False)
    wheels = 1 if read.choice("rate_of", _RATES) == "axle" else 2
    area_mm2 = read.optional("skirt_area", "mm2", 0.0, _LARGEST_MM2)
    return Springs(
        front_n_mm=wheels * read.number("front_rate", "N/mm", 0.0, _STIFFEST_N_MM),
        rear_n_mm=wheels * read.number("rear_rate", "N/mm", 0.0, _STIFFEST_N_MM),
        front_clearance_mm=read.number("front_clearance", "mm", 0.0, _HIGHEST_MM),
        rear_clearance_mm=read.number("rear_clearance", "mm", 0.0, _HIGHEST_MM),
        rate_within=read.number("rate_within", "1", 0.0, 0.9, True, default=_USUAL_WITHIN),
        clearance_within_mm=read.number(
            "clearance_within", "mm", 0.0, _HIGHEST_MM, True, default=_USUAL_WITHIN_MM
        ),
        skirt_area_mm2=area_mm2,
        # a skirt whose area is given has a spring too: without the one the other says nothing
        skirt_preload_n=None
        if area_mm2 is None and "skirt_preload" not in own
        else read.number("skirt_preload", "N", 0.0, _STRONGEST_N, True),
        skirt_n_mm=read.number("skirt_rate", "N/mm", 0.0, _STIFFEST_N_MM, True, default=0.0),
        skirt_lever=read.number("skirt_lever", "1", 0.0, _LONGEST, default=1.0),
        gap_follows=None if "gap_follows" not in own else read.number("gap_follows", "1", 0.0, 1.0, True),
    )
