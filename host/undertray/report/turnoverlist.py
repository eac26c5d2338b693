"""Before a car is turned over: what its runs and its builder have shown, and what they have not."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from enum import Enum
from typing import TYPE_CHECKING

import numpy as np

from undertray.errors import ReductionError, escaped
from undertray.reduce.loss import LOSS_KINDS
from undertray.report.display import SI, Display, off_text
from undertray.report.sheet import calibration_age_days
from undertray.report.words import few_names

if TYPE_CHECKING:
    from undertray.acquire.runlog import Run
    from undertray.calibrate.calibration import Calibration
    from undertray.reduce.car import Car
    from undertray.reduce.forcecheck import ForceCheck
    from undertray.reduce.run import Reduction

__all__ = ["Driven", "Item", "State", "Word", "turnover_items", "turnover_line"]

_WALL_DEG = 90.0
_LEAST_PA = 1.0


class State(Enum):
    """What is known of one point of the list; never more than that it was shown."""

    SHOWN = "shown"
    NOT_SHOWN = "not shown"
    AGAINST = "speaks against it"


@dataclass(frozen=True, slots=True)
class Item:
    """One point of the list."""

    topic: str
    state: State
    said: str
    next: str = ""


@dataclass(frozen=True, slots=True)
class Driven:
    """A run that was driven the right way up."""

    name: str
    run: Run
    reduction: Reduction


@dataclass(frozen=True, slots=True)
class Word:
    """What only a person knows, and what is asked of the runs."""

    taps_checked: bool = False
    alarm_heard: bool = False
    net_hung: bool = False
    bumps: int | None = None
    deepest: float | None = None
    minutes: float = 2.0
    least_bumps: int = 20
    oldest_days: float = 30.0
    pack_empty_mv: float | None = None


def turnover_items(
    driven: Sequence[Driven],
    car: Car,
    calibration: Calibration | None,
    force: ForceCheck | None,
    word: Word,
    units: Display = SI,
) -> tuple[Item, ...]:
    """Go through what should be known before a car is turned over.

    Parameters
    ----------
    driven : sequence of Driven
        Runs driven the right way up, all of one car whose surface angle is the one it is to be turned to.
    car : Car
        That car.
    calibration : Calibration or None
        The one that they were reduced with.
    force : ForceCheck or None
        Computed force beside that of a balance.
    word : Word
        What a person says, and what is asked.
    units : Display
        Units of the sentences.

    Returns
    -------
    tuple of Item
        In the order in which they are best done. None of them says that it is safe.

    Raises
    ------
    ReductionError
        When there is no run, or the car is not to be turned beyond a wall.

    Notes
    -----
    Loads at an emptier pack are those of the emptiest steady stretch by the fans' affinity law: at one duty
    the speed of a fan goes with the voltage, and pressure with the square of the speed, as long as the leak
    stays the same. The deepest dip that an allowance a leaves is a/(1 + a): then an axle that has just what
    it needs still has what it takes to stay on.
    """
    if not driven:
        raise ReductionError("no run to go by", do="drive it the right way up first, and give those runs")
    if car.surface_angle_deg <= _WALL_DEG:
        raise ReductionError(
            "the car is not to be turned over",
            where=car.name,
            seen=f"surface_angle {car.surface_angle_deg:g}",
            expected="more than 90 degrees",
            do="set surface_angle in its file: 180 is upside down",
        )
    return (
        _calibrated(driven, calibration, word),
        _tapped(driven, word),
        _forced(force, units),
        *(
            _to_the_end(item, driven)
            for item in (
                _margin(driven, units),
                _packed(driven, word, units),
                _lost(driven, word),
                _bumped(driven, car, word),
                _dropped(driven, units),
            )
        ),
        _heard(driven, word),
        _hung(word),
    )


def turnover_line(items: Sequence[Item]) -> str:
    """Count the list, and say what that does not mean."""
    shown = sum(item.state is State.SHOWN for item in items)
    against = sum(item.state is State.AGAINST for item in items)
    said = f"{shown} of {len(items)} points are shown"
    if against:
        said += f", {against} {'speaks' if against == 1 else 'speak'} against it"
    return f"{said}. No list makes it safe: the next bump is in none of these runs."


def _calibrated(driven: Sequence[Driven], calibration: Calibration | None, word: Word) -> Item:
    topic = "calibrated"
    if calibration is None or not all(one.reduction.calibrated for one in driven):
        return Item(topic, State.NOT_SHOWN, "no calibration was given", "calibrate, and give --calibration")
    foreign = [one.name for one in driven if calibration.foreign_to(one.run.device)]
    if foreign:
        return Item(
            topic,
            State.AGAINST,
            f"the calibration is of another board than that of {few_names(foreign)}",
            "give the calibration of the board in the car",
        )
    ages = [calibration_age_days(one.run.facts, calibration.made_utc) for one in driven]
    known = [age for age in ages if age is not None]
    if len(known) < len(ages):
        return Item(topic, State.NOT_SHOWN, "its age at the runs is not known", "calibrate anew")
    oldest = max(known)
    days = round(max(oldest, 0.0))
    said = f"all taps, {days} {'day' if days == 1 else 'days'} before the last of these runs"
    if min(known) < 0:
        return Item(topic, State.NOT_SHOWN, "it was made after these runs", "drive again with it")
    if oldest > word.oldest_days:
        return Item(
            topic, State.NOT_SHOWN, said, f"calibrate anew: within {word.oldest_days:g} days of the runs"
        )
    return Item(topic, State.SHOWN, said)


def _tapped(driven: Sequence[Driven], word: Word) -> Item:
    topic = "taps checked"
    faults = [one.name for one in driven if any(e.kind == "sensor-fault" for e in one.reduction.events)]
    if faults:
        return Item(
            topic, State.AGAINST, f"a tap was faulty in {few_names(faults)}", "mend it, and drive again"
        )
    if not word.taps_checked:
        return Item(
            topic,
            State.NOT_SHOWN,
            "no tap was faulty in these runs; whether each was sucked at is not stated",
            "'undertray check-taps', then --taps-checked",
        )
    return Item(topic, State.SHOWN, "no tap was faulty in these runs; checked, as you state")


def _forced(force: ForceCheck | None, units: Display) -> Item:
    topic = "force checked"
    how = "pull it off at a few throttles with a balance, and give --pulls"
    if force is None or force.agree is None:
        said = "no pull of a balance was given" if force is None else "uncalibrated: nothing to compare with"
        return Item(topic, State.NOT_SHOWN, said, how)
    said = f"{len(force.pulls)} pulls, at most {units.n(abs(force.largest_n))} from what the taps say"
    if force.agree:
        return Item(topic, State.SHOWN, f"{said}, within their joint uncertainty")
    return Item(
        topic,
        State.AGAINST,
        f"{said}, more than their joint uncertainty",
        "find out why before anything else: 'undertray force-check'",
    )


def _to_the_end(item: Item, driven: Sequence[Driven]) -> Item:
    """Take nothing for shown by runs of which nobody knows how they ended."""
    cut = [one.name for one in driven if one.reduction.truncated]
    if item.state is not State.SHOWN or not cut:
        return item
    said = f"{item.said}; but how {few_names(cut)} ended is unknown"
    return Item(item.topic, State.NOT_SHOWN, said, "drive again, and record until the fans are at rest")


def _worst_steady(driven: Sequence[Driven]) -> Iterator[tuple[float, float | None, str, str]]:
    for one in driven:
        steady = one.reduction.steady
        if steady is not None:
            for axle, margin in (("front", steady.front_margin_n), ("rear", steady.rear_margin_n)):
                yield margin.mean, margin.u95, f"{axle} axle", one.name


def _margin(driven: Sequence[Driven], units: Display) -> Item:
    topic = "margin"
    found = list(_worst_steady(driven))
    how = "hold the throttle still at the one you would drive upside down with"
    if not found:
        return Item(topic, State.NOT_SHOWN, "no run was ever steady", how)
    mean, u95, who, name = min(found, key=lambda one: one[0] - (one[1] or 0.0))
    said = (
        f"least while steady {units.n(mean, signed=True)}{off_text(u95, units.n)}, {who}, in {escaped(name)}"
    )
    if mean <= 0:
        return Item(topic, State.AGAINST, said, "more suction, less mass, or a better seal")
    if u95 is None:
        return Item(topic, State.NOT_SHOWN, f"{said}, of unknown uncertainty", "calibrate")
    if mean <= u95:
        return Item(
            topic, State.NOT_SHOWN, f"{said}: not more than its uncertainty", "more taps, more margin"
        )
    return Item(topic, State.SHOWN, said)


def _packed(driven: Sequence[Driven], word: Word, units: Display) -> Item:
    topic = "margin on an empty pack"
    if word.pack_empty_mv is None:
        return Item(topic, State.NOT_SHOWN, "the voltage at which you stop is not given", "--pack-empty 6.6V")
    lowest: tuple[float, float, str, str] | None = None
    for one in driven:
        blocks = one.reduction.blocks
        here = blocks.steady & np.isfinite(blocks.pack_mv) & (blocks.suction_pa > _LEAST_PA)
        if not here.any():
            continue
        emptiest_mv = float(blocks.pack_mv[here].min())
        near = here & (blocks.pack_mv <= emptiest_mv * 1.01)
        for axle, loads in (("front", blocks.front_n), ("rear", blocks.rear_n)):
            need_n = one.reduction.axles[axle].required_n
            share = min(1.0, word.pack_empty_mv / emptiest_mv) ** 2
            margin_n = float(loads[near].mean()) * share - need_n
            if lowest is None or margin_n < lowest[0]:
                lowest = margin_n, emptiest_mv, f"{axle} axle", one.name
    if lowest is None:
        return Item(
            topic,
            State.NOT_SHOWN,
            "no pack voltage in these runs",
            "let the board measure it: wiring/board.md",
        )
    margin_n, emptiest_mv, who, name = lowest
    volts = f"{word.pack_empty_mv / 1000:.2f} V"
    said = f"{units.n(margin_n, signed=True)} at {volts}, {who}"
    if emptiest_mv > word.pack_empty_mv:
        said += (
            f", by the fan law from {emptiest_mv / 1000:.2f} V in {escaped(name)}: it was not driven that far"
        )
    if margin_n <= 0:
        return Item(topic, State.AGAINST, said, "stop earlier, or a bigger pack")
    if emptiest_mv > word.pack_empty_mv:
        return Item(topic, State.NOT_SHOWN, said, f"drive it the right way up down to {volts}")
    return Item(topic, State.SHOWN, said)


def _lost(driven: Sequence[Driven], word: Word) -> Item:
    topic = "seal"
    lost = [(one.name, sum(e.kind in LOSS_KINDS for e in one.reduction.events)) for one in driven]
    total = sum(count for _, count in lost)
    many = "1 loss" if total == 1 else f"{total or 'no'} losses"
    said = f"{many} in {_counted_s(driven):.0f} s with the fans up"
    if total:
        names = few_names([name for name, count in lost if count])
        return Item(topic, State.AGAINST, f"{said}: {names}", "find the cause: 'undertray report'")
    if _counted_s(driven) < word.minutes * 60:
        return Item(topic, State.NOT_SHOWN, said, f"{word.minutes:g} min without one")
    return Item(topic, State.SHOWN, said)


def _counted_s(driven: Sequence[Driven]) -> float:
    return sum(
        one.reduction.holding.counted_s for one in driven if not isinstance(one.reduction.holding, str)
    )


def _bumped(driven: Sequence[Driven], car: Car, word: Word) -> Item:
    topic = "bumps"
    dips = [dip for one in driven for dip in one.reduction.dips]
    left = car.allowance / (1 + car.allowance)
    limit = left if word.deepest is None else word.deepest
    deepest = max((dip.depth for dip in dips), default=0.0)
    count = "uncounted bumps" if word.bumps is None else f"{word.bumps} bumps, as you counted"
    many = "1 dip" if len(dips) == 1 else f"{len(dips)} dips"
    found = f"{many}, the deepest {deepest:.0%} of an axle's load" if dips else "no dip"
    said = f"{count} in {_counted_s(driven):.0f} s: {found}; {limit:.0%} is the most allowed"
    if deepest > limit:
        return Item(topic, State.AGAINST, said, "a softer skirt, more suction, or a smoother surface")
    if word.bumps is None or word.bumps < word.least_bumps or _counted_s(driven) < word.minutes * 60:
        return Item(
            topic,
            State.NOT_SHOWN,
            said,
            f"{word.least_bumps} bumps (--bumps) in {word.minutes:g} min with the fans up",
        )
    return Item(topic, State.SHOWN, said)


def _dropped(driven: Sequence[Driven], units: Display) -> Item:
    topic = "drop in the dips"
    travel_mm = driven[0].reduction.hold.skirt_travel_mm
    drops = [dip.drop_mm for one in driven for dip in one.reduction.dips if dip.drop_mm is not None]
    worst_mm = max(drops, default=0.0)
    said = f"at most {units.mm(worst_mm)} from rest" if drops else "no dip left an axle short"
    if travel_mm is None:
        return Item(
            topic, State.NOT_SHOWN, f"{said}; travel of the skirt not known", "skirt_travel in car.toml"
        )
    said += f"; the skirt reaches {units.mm(travel_mm)}"
    if worst_mm >= travel_mm:
        return Item(topic, State.AGAINST, said, "more travel, or shallower dips")
    return Item(topic, State.SHOWN, said)


def _heard(driven: Sequence[Driven], word: Word) -> Item:
    topic = "alarm"
    rang = [one.name for one in driven if one.reduction.alarms]
    said = f"the board's alarm came on in {few_names(rang)}" if rang else "the board's alarm never came on"
    if not rang:
        return Item(
            topic, State.NOT_SHOWN, said, "lift the skirt by hand with the fans up, wheels off the ground"
        )
    if not word.alarm_heard:
        return Item(topic, State.NOT_SHOWN, f"{said}; not stated that it was heard", "--alarm-heard")
    return Item(topic, State.SHOWN, f"{said}, and was heard, as you state")


def _hung(word: Word) -> Item:
    topic = "net or strap"
    if word.net_hung:
        return Item(topic, State.SHOWN, "hung, as you state; nobody under it")
    return Item(topic, State.NOT_SHOWN, "not stated", "hang one, keep people away, --net-hung")
