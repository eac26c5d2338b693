"""Score the detector on both generators, beside two rules as a notebook would have them.

    python tests/bench/score_detectors.py --worlds 1000 1004 --scenarios 60000 60060
    python tests/bench/score_detectors.py --clean-hours 10 --clean-from 5000 70000 --alone
    python tests/bench/score_detectors.py --worlds 1000 1002 --scenarios 60000 60060 --rate 200 --live

With ``--live`` the alarm is scored in place of the events: how many losses ring within 120 ms, from the onset
to the row that closes the block in which it rang, and the rings beside no loss, with those apart that were a
dip by less than a third: a deeper one takes more than the usual allowance, so the hold is in danger.

Prints a line a detector and generator, and a line a stratum for each. Counting rules, beyond those of
``undertray.reduce.scoring``: an event marked `marginal` (it takes less than a fifth) counts neither as missed
nor as false; a sensor fault may be told from when it began, before it shows; an onset that a detector gives
as an interval has no error where the true one lies in it. A slow leak that the logged pack explains is taken
back, as ``reduce`` does. The detector was tuned on worlds below seed 300 and scenarios below 500; judge on
others.
"""

from __future__ import annotations

import argparse
import importlib
import sys
from collections import defaultdict
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

import worlds
from undertray.reduce.detect.detector import Detector
from undertray.reduce.loss import Loss, LossParameters
from undertray.reduce.losses import find_losses, without_pack_sag
from undertray.reduce.scoring import Truth, match, score
from undertray.virtual.scenarios import make_recording
from worlds.outing import COUNT_HIGH, COUNT_LOW

NEAR_S, NEAR_SLOW_S = 0.25, 2.5  # as undertray.reduce.scoring pairs events


@dataclass(frozen=True)
class Run:
    """One recording, with what happened in it."""

    stratum: str
    seed: int
    t_s: np.ndarray
    suction_pa: np.ndarray
    throttle_us: np.ndarray
    beyond: np.ndarray
    pack_mv: np.ndarray
    rate_hz: float
    names: tuple[str, ...]
    truth: tuple[dict[str, Any], ...]


def of_worlds(strata: list[str], seeds: range) -> Iterator[Run]:
    """Runs of the second generator."""
    together = max(1, 64 // len(strata))  # the march is vectorised over runs
    for first in seeds[::together]:
        some = range(first, min(first + together, seeds.stop))
        for one in worlds.make_many([(stratum, seed) for seed in some for stratum in strata]):
            seed = one.plan.seed
            limit = (one.counts <= COUNT_LOW) | (one.counts >= COUNT_HIGH)
            limit &= np.isfinite(one.suction_pa)
            yield Run(
                one.plan.stratum, seed, one.t_s, one.suction_pa, one.throttle_us, _held(limit), one.pack_mv,
                one.plan.recorder.rate_hz, tuple(one.plan.names()), tuple(one.truth["events"]),
            )  # fmt: skip


def _held(limit: np.ndarray) -> np.ndarray:
    """Three and more readings in a row at a limit."""
    three = limit[2:] & limit[1:-1] & limit[:-2]
    out = np.zeros(limit.shape, bool)
    for shift in range(3):
        out[shift : len(out) - 2 + shift] |= three
    return out


def of_scenarios(
    seeds: range, seconds: float = 60.0, happenings: bool = True, rate_hz: float | None = None
) -> Iterator[Run]:
    """Runs of the first generator."""
    for seed in seeds:
        one = make_recording(seed, seconds, happenings=happenings, rate_hz=rate_hz)
        names = tuple(f"p{i + 1}" for i in range(one.suction_pa.shape[1]))
        truth = tuple(
            {"kind": e.kind, "onset_s": e.onset_s, "first_tap": names[e.taps[0]] if e.taps else None}
            for e in one.truth
        )
        stratum = str(one.facts["stratum"] or f"clean, {one.facts['style']}")
        yield Run(
            stratum, seed, one.t_s, one.suction_pa, one.throttle_us, one.out_of_range,
            np.full(len(one.t_s), np.nan), float(str(one.facts["rate_hz"])), names, truth,
        )  # fmt: skip


# ---- detectors ----

Detect = Callable[[Run], tuple[Loss, ...]]


def of_product(function: Callable[..., tuple[Loss, ...]]) -> Detect:
    """A function that is called as ``find_losses`` is."""

    def detect(run: Run) -> tuple[Loss, ...]:
        told = function(
            run.t_s,
            run.suction_pa,
            run.throttle_us,
            tap_names=run.names,
            out_of_range=run.beyond,
            period_s=1 / run.rate_hz,
        )
        known = np.isfinite(run.pack_mv)
        return without_pack_sag(told, run.t_s[known], run.pack_mv[known])[0]

    return detect


def threshold(run: Run) -> tuple[Loss, ...]:
    """A notebook's rule: the mean, over 20 ms, is below 0.8 of its median over the last second for 60 ms."""
    mean, smooth, before, rows = _notebook(run)
    low = smooth < 0.8 * before
    stands = max(1, round(0.06 * run.rate_hz))
    return _sudden(run, mean, [k for k in _begins(low, stands) if not _throttled(run, k, rows)])


def change_points(run: Run) -> tuple[Loss, ...]:
    """A notebook's rule: Pelt of ruptures (in C) on the mean, falls of a fifth without a lower throttle."""
    import ruptures

    mean, smooth, _, rows = _notebook(run)
    step = max(1, round(0.02 * run.rate_hz))
    coarse = smooth[::step]
    if len(coarse) < 8:
        return ()
    level = max(float(np.percentile(coarse, 95)), 1.0)
    cost = ruptures.KernelCPD(kernel="linear", min_size=3).fit(coarse[:, None] / level)
    breaks = [0, *cost.predict(pen=0.05)]
    found = []
    for a, b, c in zip(breaks, breaks[1:], breaks[2:], strict=False):
        one, two = float(np.median(coarse[a:b])), float(np.median(coarse[b:c]))
        if one > 0.1 * level and two < 0.8 * one and not _throttled(run, b * step, rows):
            found.append(b * step)
    return _sudden(run, mean, found)


def _notebook(run: Run) -> tuple[np.ndarray, np.ndarray, np.ndarray, int]:
    there = np.isfinite(run.suction_pa)
    mean = np.where(there, run.suction_pa, 0.0).sum(axis=1) / np.maximum(there.sum(axis=1), 1)
    width = max(1, round(0.02 * run.rate_hz))
    smooth = np.convolve(mean, np.ones(width) / width, "same")
    rows = max(2, round(run.rate_hz))
    grid = np.arange(0, len(mean), max(1, rows // 20))
    medians = np.array([np.median(mean[max(0, k - rows) : k + 1]) for k in grid])
    before = np.interp(np.arange(len(mean)), grid, medians)
    return mean, smooth, np.maximum(before, 0.1 * max(float(np.percentile(mean, 95)), 1.0)), rows


def _throttled(run: Run, k: int, rows: int) -> bool:
    """Did the pulse fall by 20 µs within the last 0.6 s, or is it not known?"""
    pulse = run.throttle_us[max(0, k - round(0.6 * rows)) : k + 1]
    return bool(np.isfinite(pulse).any()) and float(np.nanmax(pulse) - pulse[-1]) > 20


def _begins(on: np.ndarray, stands: int) -> list[int]:
    edges = np.flatnonzero(np.diff(np.concatenate([[False], on, [False]]).astype(np.int8)))
    return [int(a) for a, b in edges.reshape(-1, 2) if b - a >= stands]


def _sudden(run: Run, mean: np.ndarray, rows: list[int]) -> tuple[Loss, ...]:
    out: list[Loss] = []
    for k in rows:
        if not out or run.t_s[k] - out[-1].onset_s > 0.5:
            out.append(Loss("seal-loss", float(run.t_s[k]), float(run.t_s[k]), from_pa=float(mean[k])))
    return tuple(out)


# ---- the score ----


def judged(run: Run, told: tuple[Loss, ...]) -> tuple[list[Truth], list[Loss], float]:
    """Truth and told as they are counted."""
    truth, left = [], list(told)
    for event in run.truth:
        onset = event["onset_s"]
        for loss in told:
            early = event.get("began_s") is not None and loss.kind == "sensor-fault"
            if (
                early
                and event["began_s"] - NEAR_S <= loss.onset_s <= onset
                and event["first_tap"] in loss.order
            ):
                onset = loss.onset_s
            between = loss.onset_between_s
            if event["kind"] == loss.kind == "seal-loss" and between and between[0] <= onset <= between[1]:
                onset = loss.onset_s
        if not event.get("marginal"):
            truth.append(Truth(event["kind"], onset, event.get("first_tap")))
    taken = {id(found) for _, found in match(truth, left) if found is not None}
    marginal = [e for e in run.truth if e.get("marginal")]
    left = [
        loss
        for loss in left
        if id(loss) in taken
        or not any(
            abs(loss.onset_s - e["onset_s"]) <= (NEAR_SLOW_S if e["kind"] == "slow-leak" else NEAR_S)
            for e in marginal
        )
    ]
    return truth, left, 1 / run.rate_hz


@dataclass(frozen=True)
class Rings:
    """How the alarm did in one run."""

    rate_hz: float
    hours: float
    late_s: tuple[float, ...]  # of each loss; infinite where nothing rang
    beside: int
    shallow: int


def rung(run: Run) -> Rings:
    """The alarm in one run. A ring belongs to a loss from 0.1 s before its onset to 1 s after it."""
    period_s = 1 / run.rate_hz
    detector = Detector(period_s, run.suction_pa.shape[1], tap_names=run.names)
    rings = detector.feed(run.t_s, run.suction_pa, run.throttle_us, run.beyond)
    closed_s = LossParameters().block_s + period_s
    losses = [event for event in run.truth if event["kind"] == "seal-loss"]
    after = [[ring.bottom_s + closed_s - e["onset_s"] for ring in rings if _of(ring, e)] for e in losses]
    beside = [ring for ring in rings if not any(_of(ring, e) for e in losses)]
    deepest = []
    for ring in beside:
        a, b, c = run.t_s.searchsorted([ring.onset_s - 0.2, ring.onset_s, ring.bottom_s + 0.1])
        mean = np.nanmean(run.suction_pa[a:c], axis=1)
        deepest.append(1 - float(np.nanmin(mean[b - a :]) / np.nanmedian(mean[: max(b - a, 1)])))
    return Rings(
        run.rate_hz,
        float(np.ptp(run.t_s)) / 3600,
        tuple(
            min(late, default=np.inf)
            for late, event in zip(after, losses, strict=True)
            if not event.get("marginal")
        ),
        len(beside),
        sum(depth < 1 / 3 for depth in deepest),
    )


def _of(ring: Loss, event: dict[str, Any]) -> bool:
    return bool(-0.1 < ring.bottom_s - event["onset_s"] < 1)


def live_line(name: str, runs: list[Rings]) -> str:
    """One line on the alarm."""
    late = np.array([s for run in runs for s in run.late_s])
    at_200 = np.array([s for run in runs for s in run.late_s if run.rate_hz == 200])
    heard = late[np.isfinite(late)]
    within = ", ".join(f"{(each <= 0.12).sum()} of {len(each)}" for each in (late, at_200))
    took = "-" if not heard.size else " / ".join(f"{1e3 * np.quantile(heard, q):.0f}" for q in (0.5, 0.95))
    hours = sum(run.hours for run in runs)
    return (
        f"{name:46} within 120 ms, at 200 Hz: {within}; ms, median / 95 %: {took}; "
        f"{hours:.2f} h, beside {sum(run.beside for run in runs)}, shallow {sum(run.shallow for run in runs)}"
    )


def percent(share: float | None) -> str:
    return "   - " if share is None else f"{100 * share:5.1f}"


def line(name: str, runs: list[tuple[list[Truth], list[Loss], float]]) -> str:
    """One line of the table."""
    got = score(runs)
    onset = (
        "" if got.onset_median_s is None else f"{1e3 * got.onset_median_s:6.1f} {1e3 * got.onset_p95_s:6.1f}"
    )
    false = {kind: n for kind, n in sorted(got.unmatched.items()) if kind != "throttle-cut"}
    return (
        f"{name:46} {got.runs:4} found {percent(got.recall)} true {percent(got.precision)} kind "
        f"{percent(got.kind_right)} onset ms {onset:13} first {percent(got.first_tap_right)} {false or ''}"
    )


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--worlds", type=int, nargs=2, metavar=("FROM", "TO"))
    parser.add_argument("--strata", help="only those whose name holds this")
    parser.add_argument("--scenarios", type=int, nargs=2, metavar=("FROM", "TO"))
    parser.add_argument("--rate", type=float, help="of the invented runs, Hz; drawn if left out")
    parser.add_argument("--clean-hours", type=float, default=0.0, help="of hard clean driving on each")
    parser.add_argument(
        "--clean-from", type=int, nargs=2, default=(5000, 70_000), metavar=("WORLDS", "SCENARIOS"),
        help="first seeds of the clean driving",
    )  # fmt: skip
    parser.add_argument(
        "--detector", action="append", default=[], metavar="NAME=MODULE:FUNCTION", help="a further one"
    )
    parser.add_argument("--alone", action="store_true", help="without the notebook's rules")
    parser.add_argument("--live", action="store_true", help="score the alarm")
    parser.add_argument("--failures", action="store_true", help="print each event that is wrong")
    options = parser.parse_args()
    detectors: dict[str, Detect] = {"undertray": of_product(find_losses)}
    for given in options.detector:
        name, where = given.split("=")
        module, function = where.split(":")
        detectors[name] = of_product(getattr(importlib.import_module(module), function))
    if not options.alone:
        detectors |= {"threshold": threshold, "ruptures": change_points}
    strata = [name for name in worlds.strata() if not options.strata or options.strata in name]
    sets: dict[str, Iterator[Run]] = {}
    if options.worlds:
        sets["worlds"] = of_worlds(strata, range(*options.worlds))
    if options.scenarios:
        sets["scenarios"] = of_scenarios(range(*options.scenarios), rate_hz=options.rate)
    if options.clean_hours:
        first, second = options.clean_from
        count = round(options.clean_hours * 3600 / 40)
        sets["clean worlds"] = of_worlds(["hard-clean-driving"], range(first, first + count))
        count = round(options.clean_hours * 3600 / 180)
        sets["clean scenarios"] = of_scenarios(range(second, second + count), 180.0, False, options.rate)
    for title, runs in sets.items():
        if options.live:
            print(live_line(title, [rung(run) for run in runs]))
        else:
            score_events(title, runs, detectors, options.failures)


def score_events(title: str, runs: Iterator[Run], detectors: dict[str, Detect], failures: bool) -> None:
    """Print the lines of all detectors on one generator."""
    found: dict[str, dict[str, list[Any]]] = {name: defaultdict(list) for name in detectors}
    for run in runs:
        for name, detect in detectors.items():
            counted = judged(run, detect(run))
            found[name][run.stratum].append(counted)
            if failures and name == "undertray":
                _failures(run, *counted[:2])
    for name, by_stratum in found.items():
        print(line(f"{title}: {name}", [one for each in by_stratum.values() for one in each]))
        for stratum, each in by_stratum.items():
            print(line(f"    {stratum}", each))


def _failures(run: Run, truth: list[Truth], told: list[Loss]) -> None:
    pairs = match(truth, told)
    taken = {id(found) for _, found in pairs if found is not None}
    wrong = [
        f"{t.kind} at {t.onset_s:.3f} told as {f and f.kind}"
        for t, f in pairs
        if f is None or f.kind != t.kind
    ]
    wrong += [
        f"false {e.kind} at {e.onset_s:.3f}" for e in told if id(e) not in taken and e.kind != "throttle-cut"
    ]
    for text in wrong:
        print(f"  {run.stratum} {run.seed}: {text}")


if __name__ == "__main__":
    main()
