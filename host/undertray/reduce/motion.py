"""What an accelerometer in the car felt: bumps, angle of the surface, braking, cornering, gain of speed."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from undertray.acquire.device import Accelerometer
from undertray.calibrate.distributions import NORMAL
from undertray.reduce.longtable import pieces
from undertray.reduce.summary import Bump, Estimate, Motion, SpeedGain
from undertray.units import G_N_M_S2

if TYPE_CHECKING:
    from undertray.acquire.runlog import Run

__all__ = ["car_g", "run_motion"]

Array = NDArray[np.float64]
Felt = NDArray[np.float32]

_BLOCK_S = 0.1
_QUIET_BLOCKS = 5  # half a second in which ...
_QUIET_G = 0.06  # ... means of a tenth of a second keep together, and are as long as they mostly are then
_GRAVITY_G, _SAME_G = (0.75, 1.25), 0.05
_BUMP_G = 0.5  # common practice, no source
_BUMP_OF_S, _BUMP_APART_S = 0.25, 0.1
_MOST_BUMPS = 1000
_ZERO_G = (
    0.040  # LIS3DH data sheet, zero-g level offset (from memory); the sheet calls it a standard deviation
)
_RAYLEIGH_95 = math.sqrt(-2 * math.log(0.05))  # of a length whose two parts are normal, as near level
_SCALE = 0.02  # of its sensitivity (an assumption, no source)
_TILT_DEG = 1.0  # of the body on its springs, to either side (common practice, no source)
_LEAN_DEG_PER_G = 2.0  # by which it squats, dives and rolls (95 %; common practice, no source)
_FLAT_DEG = 10.0
_UP_US = 100.0  # above the lowest width: a fan that idles holds nothing
_GOES_G = 0.1
_GAIN_M_S, _LONGEST_GAIN_S, _LONGEST_GAP_S = 0.3, 20.0, 0.1


def car_g(part: Accelerometer, counts: Array) -> Array:
    """Turn counts of an accelerometer into what the car feels.

    Parameters
    ----------
    part : Accelerometer
        Its scale, and which of its axes point forward and up.
    counts : ndarray, shape (n, 3)
        Counts of x, y and z.

    Returns
    -------
    ndarray, shape (n, 3)
        Forward, to the right and up along the car's own axes, in units of 9.80665 m/s2. A car that stands on
        its wheels feels (0, 0, 1), one that hangs upside down (0, 0, -1).

    Notes
    -----
    Right = forward x up, as the part's axes are right-handed.
    """
    forward, up = (_axis(name) for name in (part.forward, part.up))
    axes = np.stack([forward, np.cross(forward, up), up])
    return np.asarray(counts @ axes.T) * (part.mg_per_count / 1000)


def _axis(name: str) -> Array:
    return np.asarray(np.eye(3)["xyz".index(name[1])] * (-1 if name[0] == "-" else 1))


def run_motion(run: Run, t_s: Array, speeds_m_s: Sequence[float], dips_s: Sequence[float]) -> Motion | None:
    """Say what the accelerometer of a run felt.

    Parameters
    ----------
    run : Run
        The run.
    t_s : ndarray, shape (n,)
        Board time of its rows, s.
    speeds_m_s : sequence of float
        Speeds whose times are sought, m/s.
    dips_s : sequence of float
        When the suction dipped, s.

    Returns
    -------
    Motion or None
        None for a run without an accelerometer.

    Notes
    -----
    An accelerometer feels gravity and acceleration as one. Quiet is where means of a tenth of a second stay
    together for half a second and are as long as they mostly are then: there the car stands or rolls evenly
    (a push of up to 0.3 g that lasts as long without a change passes for a slope), and the angle between
    what it feels and its own upward axis is that of the surface. A bump is where the upward axis departs by
    more than 0.5 g from its mean over a quarter of a second. Braking and cornering are what is left in the
    plane of the car once the mean of the quiet part is taken off, which holds where the surface is level or
    upside down: elsewhere gravity pulls along it, one way or the other as the car turns. A gain of speed is
    the integral of that from a quiet half second on; that the car stood there is an assumption.
    Uncertainties: zero of the part (angle), slope of the surface (which a turning car feels the other way),
    a degree of tilt of the body on its springs, or 2 degrees for each g where that is more, 2 % of scale, and
    the noise of the tenth of a second that is the largest. A gain of speed has the lean, the scale and how
    well its start is known: between where the speed goes back to none along a line and where along a
    parabola, as a push that is there at once has it and one that builds up evenly, with a row's length and
    the noise of its rows.
    """
    part = run.device.accelerometer if run.device else None
    axes = [run.channels.index(name) for name in ("ax", "ay", "az") if name in run.channels]
    if part is None or run.channel_counts is None or len(axes) < 3:
        return None
    there, full = np.zeros(len(t_s), bool), 0
    kept: list[NDArray[np.float32]] = []
    for a, b in pieces(0, len(t_s)):
        counts = run.channel_counts[a:b][:, axes]
        there[a:b] = ~np.isnan(counts).any(axis=1)
        full += int(np.count_nonzero((np.abs(counts) >= part.range_mg / part.mg_per_count - 1).any(axis=1)))
        kept.append(car_g(part, counts[there[a:b]]).astype(np.float32))
    felt = np.concatenate(kept) if kept else np.empty((0, 3), np.float32)
    del kept
    rows = slice(None) if there.all() else there
    t_s = t_s[rows]
    if len(t_s) < 2 or not 0 < (step_s := float(np.median(np.diff(t_s)))) < _BLOCK_S:
        return Motion(part.part, len(t_s), full)
    many = max(1, round(_BLOCK_S / step_s))
    blocks = _means(felt, many)
    quiet = _quiet(blocks)
    drive_us = _means(run.drive_us[rows][:, None], many)[:, 0]
    angle = _angle(blocks, quiet, drive_us)
    flat = angle is not None and min(angle.mean, 180 - angle.mean) <= _FLAT_DEG
    bumps = _bumps(t_s, felt[:, 2], max(1, round(_BUMP_OF_S / step_s)))
    in_plane = blocks[:, :2] - blocks[quiet, :2].mean(axis=0) if flat else np.empty((0, 2))
    level = 2 * math.sin(math.radians(min(angle.mean, 180 - angle.mean))) if flat and angle else 0.0
    most_g = [_most(in_plane[:, 0]), _most(-in_plane[:, 0]), _most(np.abs(in_plane[:, 1]))]
    largest_g = max((g for g in most_g if g is not None), default=0.0)
    scale_g = NORMAL * _SCALE * largest_g
    lean_g = math.radians(max(_TILT_DEG, _LEAN_DEG_PER_G * largest_g))
    noise_g = NORMAL * _noisiest_g(felt, in_plane, many) if flat else 0.0
    near_s = [bump.at_s for bump in bumps]
    return Motion(
        part=part.part,
        rows=len(t_s),
        full_rows=full,
        quiet_s=float(np.count_nonzero(quiet)) * many * step_s,
        angle_deg=angle,
        forward_g=most_g[0],
        braking_g=most_g[1],
        lateral_g=most_g[2],
        within_g=math.hypot(level, lean_g, scale_g, noise_g) if flat else None,
        bumps=bumps,
        dips_after_bumps=sum(any(-_BUMP_APART_S <= at - bump <= 0.3 for bump in near_s) for at in dips_s),
        gains=_gains(t_s, felt[:, 0], quiet, many, speeds_m_s) if flat else (),
    )


def _means(values: Felt | Array, many: int) -> Array:
    whole = len(values) // many * many
    return np.asarray(values[:whole].reshape(-1, many, values.shape[1]).mean(axis=1, dtype=float))


def _quiet(blocks: Array) -> NDArray[np.bool_]:
    """Which blocks lie in half a second of nothing but gravity."""
    out = np.zeros(len(blocks), bool)
    if len(blocks) < _QUIET_BLOCKS:
        return out
    windows = np.lib.stride_tricks.sliding_window_view(blocks, _QUIET_BLOCKS, axis=0)
    length = np.linalg.norm(windows.mean(axis=2), axis=1)
    calm = (np.ptp(windows, axis=2) <= _QUIET_G).all(axis=1)
    calm &= (length >= _GRAVITY_G[0]) & (length <= _GRAVITY_G[1])
    if calm.any():  # the part's own gravity: its zero and scale are off by more than a push may be
        calm &= np.abs(length - np.median(length[calm])) <= _SAME_G
    for k in range(_QUIET_BLOCKS):
        out[k : k + len(calm)] |= calm
    return out


def _angle(blocks: Array, quiet: NDArray[np.bool_], drive_us: Array) -> Estimate | None:
    """Angle of the surface where the fans were driven, or where that is never quiet, anywhere."""
    driven = quiet & (drive_us > np.nanmin(drive_us, initial=np.inf) + _UP_US)
    where = driven if driven.any() else quiet
    if not where.any():
        return None
    forward, right, up = np.median(blocks[where], axis=0)
    angle = math.degrees(math.atan2(math.hypot(forward, right), up))
    return Estimate(angle, math.degrees(_RAYLEIGH_95 * math.hypot(_ZERO_G, math.radians(_TILT_DEG) / 3**0.5)))


def _bumps(t_s: Array, up_g: Felt, many: int) -> tuple[Bump, ...]:
    found: list[Bump] = []
    last_s = -math.inf
    for a, b in pieces(0, len(up_g)):
        # with what the means of the first and the last of its rows reach
        low, high = max(0, a - many), min(len(up_g), b + many)
        near = up_g[low:high].astype(float)
        total = np.concatenate([[0.0], np.cumsum(near)])
        first = np.clip(np.arange(len(near)) - many // 2, 0, None)
        last = np.clip(first + many, None, len(near))
        off = (near - (total[last] - total[first]) / (last - first))[a - low : b - low]
        for row in np.flatnonzero(np.abs(off) > _BUMP_G).tolist():
            here = Bump(float(t_s[a + row]), float(abs(off[row])))
            if here.at_s - last_s > _BUMP_APART_S:
                found.append(here)
            elif here.peak_g > found[-1].peak_g:
                found[-1] = here
            last_s = here.at_s
            if len(found) == _MOST_BUMPS:
                return tuple(found)
    return tuple(found)


def _most(values: Array) -> float | None:
    return max(0.0, float(values.max())) if len(values) else None


def _noisiest_g(felt: Felt, in_plane: Array, many: int) -> float:
    """Standard deviation of the mean of a tenth of a second, of those that are the largest in a direction."""
    if not len(in_plane):
        return 0.0
    found = []
    for axis, value in ((0, in_plane[:, 0]), (0, -in_plane[:, 0]), (1, np.abs(in_plane[:, 1]))):
        first = int(value.argmax()) * many
        found.append(_row_noise_g(felt[first : first + many, axis]) / math.sqrt(many))
    return max(found)


def _row_noise_g(forward_g: Felt | Array) -> float:
    """Noise of single rows, by their second differences: a push that changes evenly leaves none."""
    bends = np.diff(forward_g.astype(float), 2)
    return float(np.sqrt(np.mean(np.square(bends)) / 6)) if len(bends) else 0.0


def _gains(
    t_s: Array, forward_g: Felt, quiet: NDArray[np.bool_], many: int, speeds_m_s: Sequence[float]
) -> tuple[SpeedGain, ...]:
    """The shortest time in which each speed was gained from a quiet half second on."""
    best: dict[float, SpeedGain] = {}
    ends = np.flatnonzero(quiet[:-1] & ~quiet[1:])
    for end in ends.tolist():
        rest = forward_g[(end + 1 - _QUIET_BLOCKS) * many : end * many]
        from_row = end * many
        last = int(np.searchsorted(t_s, t_s[from_row] + _LONGEST_GAIN_S))
        steps = np.diff(t_s[from_row:last])
        if not len(steps) or not len(rest):
            continue
        gaps = np.flatnonzero(steps > _LONGEST_GAP_S)
        last = from_row + 1 + (int(gaps[0]) if len(gaps) else len(steps))
        t, g = t_s[from_row:last], forward_g[from_row:last] - float(rest.mean(dtype=float))
        speed = np.concatenate([[0.0], np.cumsum((g[1:] + g[:-1]) / 2 * np.diff(t))]) * G_N_M_S2
        gone = np.flatnonzero(speed > _GAIN_M_S)
        if not len(gone):
            continue
        begun, begun_u95_s = _begun_s(t, g, speed, int(gone[0]))
        for asked in speeds_m_s:
            there = np.flatnonzero(speed >= asked)
            if not len(there):
                continue
            seconds = float(t[there[0]]) - begun
            mean_g = asked / seconds / G_N_M_S2 if seconds > 0 else 0.0
            if mean_g < _GOES_G:
                continue
            share = math.hypot(math.radians(_LEAN_DEG_PER_G), NORMAL * _SCALE)
            gain = SpeedGain(asked, begun, seconds, math.hypot(seconds * share, begun_u95_s))
            if asked not in best or seconds < best[asked].seconds:
                best[asked] = gain
    return tuple(best[speed] for speed in speeds_m_s if speed in best)


def _begun_s(t_s: Array, push_g: Felt | Array, speed_m_s: Array, at: int) -> tuple[float, float]:
    """When it went off, and the half width of the 95 % interval of that: two speeds, carried back to none."""
    step_s = float(np.median(np.diff(t_s[: at + 1]))) if at else _BLOCK_S
    early = int(np.flatnonzero(speed_m_s[: at + 1] > _GAIN_M_S / 3)[0])
    slope = (speed_m_s[at] - speed_m_s[early]) / (t_s[at] - t_s[early]) if early < at else 0.0
    if slope <= 0:
        return float(t_s[max(0, early - 1)]), step_s
    latest_s = t_s[early] - speed_m_s[early] / slope
    root, first_root = math.sqrt(speed_m_s[at]), math.sqrt(speed_m_s[early])
    earliest_s = t_s[early] - (t_s[at] - t_s[early]) * first_root / (root - first_root)
    pushed = max(1.0, (t_s[at] - earliest_s) / step_s)
    noise_s = _row_noise_g(push_g[: 2 * at + 1]) * G_N_M_S2 * step_s * math.sqrt(pushed) / slope
    return float(latest_s + earliest_s) / 2, NORMAL * math.hypot(
        (latest_s - earliest_s) / 2 / 3**0.5, step_s / 3**0.5, noise_s
    )
