"""From plans to recordings: many runs are marched at once, each beside itself without its openings."""

from __future__ import annotations

import zlib
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from worlds import truth as judged
from worlds.driver import Pulses, duty, pulses, ride
from worlds.strata import Plan
from worlds.vehicle import CELLS, STEP_S, Array, Inputs, simulate, through_hoses

WIDTH = 48  # columns marched at once; beyond it memory grows and time a column does not fall
COUNT_LOW, COUNT_ZERO, COUNT_HIGH = 1638, 8192, 14746


@dataclass(frozen=True)
class Recording:
    """One run as recorded, with its truth.

    Attributes
    ----------
    plan : Plan
        What was asked for.
    t_s : array, shape (n,)
        Board time since the first row, s.
    suction_pa : array, shape (n, taps)
        Nominal suction by the sensors' own scale, Pa; NaN where there was no reading.
    throttle_us : array, shape (n,)
        Last servo pulse, µs; NaN where none came in the last 100 ms.
    pack_mv : array, shape (n,)
        Voltage of the pack as the board told it last (once a second), mV; NaN where it does not.
    truth : dict
        As in the truth file.
    counts, stale, slot, t_us, status, pa_per_count
        What the log file needs.
    """

    plan: Plan
    t_s: Array
    suction_pa: Array
    throttle_us: Array
    pack_mv: Array
    truth: dict[str, Any]
    counts: NDArray[np.int64]
    stale: NDArray[np.bool_]
    slot: NDArray[np.int64]
    t_us: NDArray[np.int64]
    status: tuple[tuple[int, int | None], ...]
    pa_per_count: tuple[float, ...]


def record(plans: Sequence[Plan]) -> Iterator[Recording]:
    """March the plans in batches and record each; a run does not depend on those beside it."""
    batch: list[Plan] = []
    for plan in plans:
        if batch and (_columns([*batch, plan]) > WIDTH or plan.seconds != batch[0].seconds):
            yield from _march(batch)
            batch = []
        batch.append(plan)
    if batch:
        yield from _march(batch)


def _columns(batch: Sequence[Plan]) -> int:
    return sum(_own(p) for p in batch)


def _own(plan: Plan) -> int:
    """Columns of a plan: without any opening, with one more each; and on a flat road where it has bumps."""
    return 1 + len(plan.openings) + (plan.bumps_s > 0)


def _rng(plan: Plan, what: str) -> np.random.Generator:
    return np.random.default_rng([zlib.crc32(f"{plan.stratum} {what}".encode()), plan.seed])


def _march(batch: Sequence[Plan]) -> Iterator[Recording]:
    steps, width = round(batch[0].seconds / STEP_S), _columns(batch)
    given = Inputs(
        np.empty((steps, width), np.float32),
        np.empty((steps, width), np.bool_),
        np.empty((steps, width), np.float32),
        np.empty((steps, 3, width), np.float32),
        np.empty((steps, CELLS, width), np.float32),
        np.empty((steps, CELLS, width), np.float32),
    )
    t_s = np.arange(steps) * STEP_S
    cars, sent, first = [], [], []
    for plan in batch:
        at = len(cars)
        own = slice(at, at + _own(plan))
        cars += [plan.car] * _own(plan)
        first.append(at)
        sent.append(pulses(plan.thumb, _rng(plan, "pulses"), plan.seconds))
        on = duty(plan.car, sent[-1], steps)
        way = ride(
            plan.car, _rng(plan, "ride"), steps, plan.hard, plan.rough_m, plan.bumps_s, plan.bump_m,
            plan.upside_down, plan.bump_at_s,
            plan.most_sag,
        )  # fmt: skip
        given.opening_m2[:, :, own] = way.behind_m2[:, :, None]
        given.duty[:, own], given.bridge_on[:, own] = on[:, None], on[:, None] > 0
        given.drive_a[:, own] = way.drive_a[:, None]
        given.push[:, :, own], given.road_m[:, :, own] = way.push[:, :, None], way.road_m[:, :, None]
        if plan.bumps_s > 0:
            flat = own.stop - 1
            given.opening_m2[:, :, flat], given.road_m[:, :, flat] = 0.0, 0.0
            given.push[:, :, flat] = way.push_flat
        for flutter in plan.flutters:
            given.opening_m2[:, :, own] += flutter.flutter_m2(t_s)[:, :, None].astype(np.float32)
        for number, one in enumerate(plan.openings):
            later = slice(at + 1 + number, at + 1 + len(plan.openings))
            given.opening_m2[:, :, later] += one.open_m2(t_s)[:, :, None].astype(np.float32)
    motion = simulate(cars, given)
    seen = through_hoses(cars, motion.suction_pa)
    for plan, at, pulse in zip(batch, first, sent, strict=True):
        last = at + len(plan.openings)
        taps = list(plan.taps)
        yield _recorded(
            plan,
            pulse,
            [motion.suction_pa[:, taps, c] for c in range(at, last + 1)],
            [seen[:, taps, c] for c in range(at, last + 1)],
            motion.pack_v[:, last],
            seen[:, taps, last + 1].mean(axis=1) if plan.bumps_s > 0 else None,
        )


def _recorded(
    plan: Plan, pulse: Pulses, cells: list[Array], seen: list[Array], pack_v: Array, flat: Array | None
) -> Recording:
    rng = _rng(plan, "sensors")
    steps, taps = seen[-1].shape
    grid = np.arange(steps) * STEP_S
    row_t, slot = plan.recorder.row_times_s(_rng(plan, "rows"), plan.seconds)
    n = len(row_t)
    tick = np.round(row_t * 1e6).astype(np.int64)
    # what the air does that no mean shows: turbulence, common to all taps and each tap's own
    level = seen[-1].mean(axis=1)
    rough = plan.flow_noise * _band(rng, steps)
    zero = (
        np.full(taps, plan.zeros_same_pa)
        if plan.zeros_same_pa is not None
        else rng.normal(0, plan.zero_pa, taps)
    )
    counts = np.empty((n, taps), np.int64)
    missing = np.zeros((n, taps), np.bool_)
    stale = rng.random((n, taps)) < plan.recorder.stale_share
    stale[0] = False
    faults: list[tuple[int, int, Any]] = []
    scales = []
    for i in range(taps):
        healthy = seen[-1][:, i] * (1 + rough + plan.flow_noise * _band(rng, steps))
        now, range_pa = healthy, plan.range_pa
        begun = None
        for fault in plan.faults:
            if fault.tap != i:
                continue
            now, begun = fault.apply(grid, now, rng), fault
            if fault.how == "saturated":
                range_pa = float(np.percentile(seen[-1][:, i], 95)) * float(rng.uniform(0.6, 0.85))
        scale = 2 * range_pa / (COUNT_HIGH - COUNT_LOW)
        scales.append(scale)
        at = row_t + 3e-4 * i  # one after the other on the bus
        read = np.interp(at, grid, now) + zero[i] + plan.drift_pa_s * row_t + rng.normal(0, plan.noise_pa, n)
        missing[:, i] = ~np.isfinite(read)
        whole = np.rint(COUNT_ZERO + np.nan_to_num(read) / scale)
        counts[:, i] = np.clip(whole, COUNT_LOW, COUNT_HIGH).astype(np.int64)
        if begun is not None and begun.how == "stuck":
            frozen = row_t >= begun.at_s
            counts[frozen, i] = counts[int(np.argmax(frozen)), i]
        for k in np.flatnonzero(stale[:, i]):
            counts[k, i] = counts[k - 1, i]
        if begun is not None:
            value = (counts[:, i] - COUNT_ZERO) * scale - zero[i] - plan.drift_pa_s * row_t
            value = np.where(missing[:, i], np.nan, value)
            on_grid = np.interp(grid, row_t, value) if begun.how in ("stuck", "saturated") else now
            # smoothed: the turbulence is no fault
            k = judged.wrong(seen[-1][:, i], on_grid, level)
            if k is not None:
                faults.append((i, k, begun))
    stale &= ~missing
    suction = (counts - COUNT_ZERO) * np.array(scales)
    throttle = _throttle(plan, pulse, row_t, _rng(plan, "throttle"))
    pack_mv, status = _pack(plan, row_t, tick, grid, pack_v, rng)
    events = _truth(plan, cells, seen, row_t, faults)
    if flat is not None:
        begin = float(row_t[0])
        events["dips"] = [
            {
                "start_s": round(a * STEP_S - begin, 6),
                "duration_s": round(n * STEP_S, 4),
                "depth": round(d, 4),
            }
            for a, n, d in judged.dips(flat, seen[0].mean(axis=1))
        ]
    return Recording(
        plan,
        (tick - tick[0]) * 1e-6,
        np.where(missing, np.nan, suction),
        throttle,
        pack_mv,
        events,
        np.where(missing, np.iinfo(np.int64).min, counts),
        stale,
        slot,
        tick,
        status,
        tuple(scales),
    )


def _band(rng: np.random.Generator, steps: int) -> Array:
    """Noise of unit variance, most of it below 80 Hz."""
    f = np.fft.rfftfreq(steps, STEP_S)
    y = np.fft.irfft(np.fft.rfft(rng.normal(0, 1, steps)) / np.sqrt(1 + (f / 80) ** 2), steps)
    return y / y.std()


def _throttle(plan: Plan, pulse: Pulses, row_t: Array, rng: np.random.Generator) -> Array:
    k = np.searchsorted(pulse.end_s, row_t, side="right") - 1
    measured = pulse.us + rng.integers(-1, 2, len(pulse.us))
    out = np.where(k >= 0, measured[np.maximum(k, 0)], np.nan).astype(float)
    board = plan.recorder
    holes = [(0.0, board.throttle_from_s), (board.throttle_until_s, 2 * plan.seconds)]
    holes += [(a, a + b) for a, b in board.throttle_holes]
    for begin, end in holes:
        # a pulse holds for 100 ms, then there is none
        if end > begin:
            out[(row_t >= begin + 0.1 * (begin > 0)) & (row_t < end)] = np.nan
            frozen = (row_t >= begin) & (row_t < begin + 0.1) & (begin > 0)
            if frozen.any():
                out[frozen] = out[int(np.argmax(frozen))]
    return out


def _pack(
    plan: Plan, row_t: Array, tick: NDArray[np.int64], grid: Array, pack_v: Array, rng: np.random.Generator
) -> tuple[Array, tuple[tuple[int, int | None], ...]]:
    out = np.full(len(row_t), np.nan)
    told = np.arange(0.5, plan.seconds - 0.5, 1.0)
    mv = np.rint(np.interp(told, grid, pack_v) * 1000 / 5) * 5 + rng.integers(-2, 3, len(told)) * 5
    after = np.searchsorted(row_t, told)
    status: list[tuple[int, int | None]] = []
    for k, value in zip(after, mv, strict=True):
        if k < len(row_t):
            if plan.recorder.pack_logged:
                out[k:] = value
            status.append((int(k), int(value) if plan.recorder.pack_logged else None))
    return out, tuple(status)


def _truth(
    plan: Plan, cells: list[Array], seen: list[Array], row_t: Array, faults: list[tuple[int, int, Any]]
) -> dict[str, Any]:
    names, begin = plan.names(), float(row_t[0])
    events: list[dict[str, Any]] = []
    quiet: list[dict[str, Any]] = []

    def at(step: int | None) -> float | None:
        return None if step is None else round(step * STEP_S - begin, 6)

    for number, one in enumerate(plan.openings):
        found = judged.loss(
            seen[number],
            seen[number + 1],
            cells[number],
            cells[number + 1],
            one.open_by_s(),
            2 / plan.recorder.rate_hz,
            9.81 * plan.car.mass_kg / (CELLS * plan.car.cell_m2),
        )
        opened = round(one.at_s - begin, 6)
        if found["kind"] is None:
            quiet.append({"opened_s": opened, "share": round(found["share"], 4)})
            continue
        onset = found["onset"] * STEP_S
        k = int(np.searchsorted(row_t, onset))
        around = [float(row_t[max(k - 1, 0)]) - begin, float(row_t[min(k, len(row_t) - 1)]) - begin]
        events.append(
            {
                "kind": found["kind"],
                "onset_s": at(found["onset"]),
                "first_tap": None if found["first"] is None else names[found["first"]],
                "bottom_s": at(found["bottom"]),
                "end_s": at(found["end"]),
                "drop": round(found["drop"], 4),
                "fall_s": round(found["fall_s"], 4),
                "duration_s": round(found["duration_s"], 4),
                "brief": found["brief"],
                "marginal": found["marginal"],
                "from_pa": round(found["from_pa"], 1),
                "to_pa": round(found["to_pa"], 1),
                "order": [[names[i], round(ms, 1)] for i, ms in found["order"]],
                "onset_between_s": [round(v, 6) for v in around],
                "opened_s": opened,
            }
        )
    mean = seen[-1].mean(axis=1)
    if not plan.recorder.throttle_until_s < plan.seconds:
        for when, up in plan.cuts:
            k = judged.cut(mean, when, up)
            if k is not None:
                events.append({"kind": "throttle-cut", "onset_s": at(k), "first_tap": None})
    for i, k, fault in faults:
        events.append(
            {
                "kind": "sensor-fault",
                "onset_s": at(k),
                "first_tap": names[i],
                "how": fault.how,
                "began_s": round(fault.at_s - begin, 6),
            }
        )
    for k in np.flatnonzero(np.diff(row_t) > 5.5 / plan.recorder.rate_hz):
        gap = {"kind": "data-gap", "onset_s": round(float(row_t[k]) - begin, 6), "first_tap": None}
        events.append(gap | {"end_s": round(float(row_t[k + 1]) - begin, 6)})
    events.sort(key=lambda e: (e["onset_s"], e["kind"]))
    steady = slice(round(6 / STEP_S), round(10 / STEP_S))
    return {
        "format": 1,
        "invented": True,
        "story": plan.stratum.replace("-", " "),
        "generator": "worlds",
        "stratum": plan.stratum,
        "seed": plan.seed,
        "taps": names,
        "rate_hz": plan.recorder.rate_hz,
        "events": events,
        "quiet": quiet,
        "dips": [],
        "mean_suction_pa": round(float(seen[0].mean(axis=1)[steady].mean()), 1),
    }
