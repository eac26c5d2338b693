"""Invented recordings as run logs, each with its truth and its car."""

from __future__ import annotations

import json
from collections.abc import Iterable
from pathlib import Path

import numpy as np

from undertray.acquire.wire import Row, encode_note, encode_row
from undertray.errors import ReductionError
from undertray.files import write_whole
from undertray.virtual.scenarios import Recording, make_recording

__all__ = ["as_log", "write_recordings"]

_LSB_PA = 0.05
_ZERO = 100_000
_TICKS = 1 << 30
_START_US = 987_654_321  # so that the ticks wrap within every run of some length


def write_recordings(folder: Path, seeds: Iterable[int], seconds: float) -> None:
    """Write invented runs.

    Parameters
    ----------
    folder : Path
        Where to; made if it is not there. Files of the same name are replaced.
    seeds : iterable of int
        One run each.
    seconds : float
        Length of each, s.

    Raises
    ------
    ReductionError
        When the folder cannot be written.
    """
    try:
        folder.mkdir(parents=True, exist_ok=True)
        for seed in seeds:
            recording = make_recording(seed, seconds)
            stem = folder / f"invented-{seed:05d}"
            write_whole(f"{stem}.csv", as_log(recording, seed))
            write_whole(f"{stem}.truth.json", _truth(recording).encode())
            write_whole(f"{stem}.car.toml", _car(recording).encode())
    except OSError as error:
        raise ReductionError(f"cannot be written ({error.strerror})", where=str(folder)) from error


def as_log(recording: Recording, seed: int) -> bytes:
    """A recording as the host would have logged it.

    Parameters
    ----------
    recording : Recording
        The recording.
    seed : int
        For the delays of the link; and every third recording's board restarts in its data gap.

    Returns
    -------
    bytes
        The log: gaps in ``seq``, wrapping ticks, empty fields, counts at the range's end.
    """
    rng = np.random.default_rng([seed, 7])
    taps, rate = recording.suction_pa.shape[1], float(str(recording.facts["rate_hz"]))
    counts = np.round(recording.suction_pa / _LSB_PA) + _ZERO
    limit = round(float(np.nanmax(np.abs(recording.suction_pa))) / _LSB_PA) + 1
    seq = np.round(recording.t_s * rate).astype(np.int64)
    t_us = np.round(recording.t_s * 1e6).astype(np.int64)
    reset = _reset_row(recording) if seed % 3 == 0 else len(t_us)
    host_us = t_us + np.round(rng.exponential(800, len(t_us)) + 1500).astype(np.int64)
    host_us = np.maximum.accumulate(host_us)
    out = [
        b"#undertray-run 1\n",
        b'#run {"started_utc": "2026-05-02T10:15:00.000000Z", "notes": {"invented": true}}\n',
        b"#wire 0 " + encode_note("device", _device(taps, rate, limit, 1)),
        b"host_us,seq,t_us,throttle_us,flags," + b",".join(b"p%d" % (i + 1) for i in range(taps)) + b",crc\n",
    ]
    outside = recording.out_of_range
    for i in range(len(t_us)):
        start_us, start_seq = (_START_US, 0) if i < reset else (5_000 - int(t_us[reset]), -int(seq[reset]))
        if i == reset:
            out.append(b"#wire %d " % int(host_us[i]) + encode_note("device", _device(taps, rate, limit, 2)))
        values = tuple(
            None if np.isnan(c) else int(c) + (2 * limit if beyond else 0)
            for c, beyond in zip(counts[i].tolist(), outside[i].tolist(), strict=True)
        )
        row = Row(
            seq=(int(seq[i]) + start_seq) % 65536,
            t_us=(int(t_us[i]) + start_us) % _TICKS,
            throttle_us=int(recording.throttle_us[i]),
            flags=0,
            counts=values,
        )
        out.append(b"%d," % int(host_us[i]) + encode_row(row))
    end = {"rows": len(t_us), "bad": 0, "seconds": round(float(recording.t_s[-1]), 3), "why": "stopped"}
    return b"".join(out) + b"#end " + json.dumps(end).encode() + b"\n"


def _reset_row(recording: Recording) -> int:
    """First row after the first data gap; the number of rows where there is none."""
    gap = next((e for e in recording.truth if e.kind == "data-gap"), None)
    if gap is None:
        return len(recording.t_s)
    return int(np.searchsorted(recording.t_s, gap.onset_s + 1e-6))


def _device(taps: int, rate: float, limit: int, boot: int) -> dict[str, object]:
    scale = {"zero": _ZERO, "pa_per_count": _LSB_PA, "min": _ZERO - limit, "max": _ZERO + limit}
    column = {
        "part": "invented",
        "range": "",
        "bus": 0,
        "address": 40,
        "mux": None,
        "port": "low",
        "scale": scale,
    }
    return {
        "wire": 1,
        "firmware": "invented",
        "board": "invented",
        "uid": "00",
        "boot": boot,
        "rate_hz": rate,
        "tick_hz": 1_000_000,
        "tick_bits": 30,
        "columns": [{"name": f"p{i + 1}", **column} for i in range(taps)],
    }


def _truth(recording: Recording) -> str:
    events = [
        {"kind": e.kind, "onset_s": round(e.onset_s - float(recording.t_s[0]), 6), "first_tap": _name(e.taps)}
        for e in recording.truth
    ]
    return json.dumps({"format": 1, "invented": True, "events": events}, indent=1) + "\n"


def _name(taps: tuple[int, ...]) -> str | None:
    return f"p{taps[0] + 1}" if taps else None


def _car(recording: Recording) -> str:
    taps = recording.suction_pa.shape[1]
    head = 'format = 1\nname = "invented"\nmass = 2.8\nwheelbase = 300\nfront_weight = 0.48\n'
    floor = "floor = [[-60, -90], [320, -90], [320, 90], [-60, 90]]\n"
    tap = '\n[[tap]]\nname = "p{0}"\ncolumn = "p{0}"\nx = {1}\ny = {2}\n'
    # one size for all, so that the mean over the floor is the plain mean over the taps
    area = 68_400 / taps
    places = (
        tap.format(i + 1, -40 + 45 * i, -40 if i % 2 else 40) + f"area = {area:.6g}\n" for i in range(taps)
    )
    return head + floor + "".join(places)
