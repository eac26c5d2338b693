"""The tap check: each tap is sucked at in turn, and the columns say which, which way, and how tight."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from undertray.calibrate.settling import Reading
from undertray.errors import CalibrationError

__all__ = ["TapCheck", "TapFinding"]

Array = NDArray[np.float64]

_BLOCK_S = 0.1
_ZERO_S, _STILL_PA = 1.0, 20.0
_REACTS_PA, _REACTS_SD = 60.0, 8.0
_WAIT_S, _LONGEST_S, _BACK_S = 30.0, 20.0, 15.0
_PINCH_S, _HOLD_S = 1.0, 2.0  # from the peak until it counts as pinched shut; how long it is then watched
_RISES, _FALLEN = 1.02, 0.3  # of the peak
_GOES_ALONG = 0.1  # of the tap's own change: above it hoses share air
_TOLD_ALONG = 0.03
_LEAKS_A_SECOND = 0.02  # of what is held; a hose shut by two fingers (common practice, no source)

_LEAK = "the hose, a joint or the nipple leaks, or it was not pinched shut and held"
_READY = "Enter when all taps are open and nobody touches a hose (skip, stop) > "
_KEEP = "again (Enter) checks this tap once more; keep leaves it at that; stop > "


@dataclass(frozen=True, slots=True)
class TapFinding:
    """What the check of one tap found."""

    tap: str
    column: str
    reacted: str | None
    level_pa: float | None
    along: Mapping[str, float]
    leak_pa_s: float | None
    faults: tuple[str, ...]


@dataclass(frozen=True, slots=True, eq=False)
class _Suck:
    """Change of each column from its zero, in blocks: ``pa`` (k, N) at ``t_s`` (k,)."""

    t_s: Array
    pa: Array
    peak_s: float
    held: bool
    beyond: tuple[int, ...] = ()


class TapCheck:
    """Leads a person from tap to tap."""

    def __init__(
        self,
        taps: Sequence[tuple[str, str]],
        names: Sequence[str],
        fresh: Callable[[], Iterator[Reading]],
        ask: Callable[[str], str],
        tell: Callable[[str], None],
    ) -> None:
        self._taps = taps
        self._names = tuple(names)
        self._fresh = fresh
        self._ask = ask
        self._tell = tell
        self._first: Array | None = None

    def run(self) -> list[TapFinding]:
        """Check tap after tap."""
        found: list[TapFinding] = []
        number = 0
        try:
            while number < len(self._taps):
                tap, column = self._taps[number]
                self._tell(f"Tap {number + 1} of {len(self._taps)}: {tap}, which {column} should read.")
                word = self._ask(_READY).strip().lower()
                if word == "stop":
                    break
                finding = None if word == "skip" else self._checked(tap, column)
                if finding is not None:
                    self._tell(_outcome(finding))
                    word = self._ask(_KEEP).strip().lower() if finding.faults else "keep"
                    if word in ("", "again"):
                        continue
                    found.append(finding)
                if word == "stop":
                    break
                number += 1
        except (EOFError, KeyboardInterrupt):
            self._tell("")
        return found

    def _checked(self, tap: str, column: str) -> TapFinding | None:
        """Suck at one tap, until it comes to a finding; None where the person gives up."""
        while True:
            try:
                blocks = _blocks(self._fresh())
                zero, limit = self._zero(blocks)
                self._tell(
                    f"now suck gently at {tap}, about 500 Pa, pinch the tube shut and hold it until the next"
                    " message"
                )
                suck = _watch(blocks, zero, limit)
                finding = self._found(tap, column, zero, suck)
                if suck is not None:
                    self._tell("enough: let go")
                    self._back(blocks, zero, limit)
                return finding
            except CalibrationError as error:
                self._tell(str(error))
                if self._ask("Enter begins this tap again (skip) > ").strip():
                    return None

    def _zero(self, blocks: Iterator[tuple[float, Array]]) -> tuple[Array, Array]:
        """Mean of each column at rest, and the change that is a reaction, Pa."""
        rows = np.array([next(blocks)[1] for _ in range(round(_ZERO_S / _BLOCK_S))])
        sd = rows.std(axis=0, ddof=1)
        worst = int(np.nan_to_num(sd).argmax())
        if sd[worst] > _STILL_PA:
            raise CalibrationError(
                f"{self._names[worst]} is not still",
                seen=f"a spread of {sd[worst]:.0f} Pa in {_ZERO_S:g} s",
                expected=f"less than {_STILL_PA:g} Pa",
                do="unplug the fans, let go of all hoses",
            )
        zero, limit = rows.mean(axis=0), np.fmax(_REACTS_PA, _REACTS_SD * sd)
        if self._first is None:
            self._first = zero
        off = np.nan_to_num(np.abs(zero - self._first))
        worst = int(off.argmax())
        if off[worst] > limit[worst]:
            raise CalibrationError(
                f"{self._names[worst]} stands {off[worst]:.0f} Pa off where it stood at the first tap",
                expected="all taps open",
                do="open the hose that is still shut, or begin anew",
            )
        return zero, limit

    def _back(self, blocks: Iterator[tuple[float, Array]], zero: Array, limit: Array) -> None:
        for k, (_, pa) in enumerate(blocks):
            off = np.where(np.isfinite(zero), np.abs(np.nan_to_num(pa - zero, nan=np.inf)), 0.0)
            if (off < limit).all():
                return
            if k * _BLOCK_S > _BACK_S:
                worst = self._names[int(off.argmax())]
                self._tell(f"{worst} does not come back to its zero: is its hose still shut, or blocked?")
                return

    def _found(self, tap: str, column: str, zero: Array, suck: _Suck | None) -> TapFinding:
        names = self._names
        own = names.index(column)
        faults = [] if np.isfinite(zero[own]) else [f"{column} gives no reading: check the sensor (selftest)"]
        if suck is None:
            faults.append(f"nothing reacted in {_WAIT_S:g} s: the hose is off, blocked, or goes to no sensor")
            return TapFinding(tap, column, None, None, {}, None, tuple(faults))
        if suck.beyond:
            raise CalibrationError(
                f"{', '.join(names[i] for i in suck.beyond)} went off the end of its range",
                expected="a reading",
                do="suck more gently; a gauge part on the wrong port does that at once",
            )
        rows = suck.t_s > suck.t_s[-1] - _HOLD_S if suck.held else np.abs(suck.t_s - suck.peak_s) < 0.25
        level = np.nan_to_num(suck.pa[rows].mean(axis=0))
        lead = int(np.abs(level).argmax())
        share = np.abs(level / level[lead])
        along = {names[i]: float(share[i]) for i in range(len(names)) if i != lead and share[i] > _TOLD_ALONG}
        if lead != own:
            faults.append(
                f"{names[lead]} reacted and not {column}: the hose goes to another sensor, "
                "or 'column' in car.toml is wrong"
            )
        if level[lead] < 0:
            faults.append(
                f"{names[lead]} reads {level[lead]:.0f} Pa, a pressure, when it is sucked at: the hose is on "
                "the wrong port of the sensor, or 'port' in board.json is wrong (or it was blown into)"
            )
        faults += [
            f"{name} went along with {part:.0%}: hoses that share air, or touch each other's tap"
            for name, part in along.items()
            if part > _GOES_ALONG
        ]
        leak_pa_s = None
        if suck.held:
            t_s, held_pa = suck.t_s[rows], np.abs(suck.pa[rows, lead])
            leak_pa_s = round(-float(np.polyfit(t_s - t_s.mean(), held_pa, 1)[0]), 3) + 0.0
            if leak_pa_s > _LEAKS_A_SECOND * abs(level[lead]):
                faults.append(f"it loses {leak_pa_s:.0f} Pa/s of {abs(level[lead]):.0f} Pa: {_LEAK}")
        else:
            gone_s = suck.t_s[-1] - suck.peak_s
            faults.append(f"it was gone {gone_s:.1f} s after the peak: {_LEAK}")
        return TapFinding(tap, column, names[lead], float(level[lead]), along, leak_pa_s, tuple(faults))


def _outcome(found: TapFinding) -> str:
    if found.faults:
        return f"{found.tap}: {'; '.join(found.faults)}."
    assert found.level_pa is not None
    assert found.leak_pa_s is not None
    along = ", ".join(f"{name} {share:.0%}" for name, share in found.along.items()) or "none"
    return (
        f"{found.tap}: confirmed. {found.reacted} reads {found.level_pa:+.0f} Pa, cross-talk {along}, "
        f"leak-down {found.leak_pa_s:.1f} Pa/s."
    )


def _blocks(readings: Iterator[Reading]) -> Iterator[tuple[float, Array]]:
    """Means of a tenth of a second; NaN where half of the rows had no reading."""
    rows: list[tuple[float, ...]] = []
    start_s = last_s = None
    for reading in readings:
        if last_s is not None and not 0 <= reading.t_s - last_s < 1.0:
            raise CalibrationError("the board was reset, or stopped sending", do="do this tap again")
        last_s = reading.t_s
        start_s = reading.t_s if start_s is None else start_s
        if reading.t_s - start_s >= _BLOCK_S:
            values = np.array(rows)
            seen = np.isfinite(values)
            mean = np.where(seen, values, 0.0).sum(axis=0) / np.maximum(seen.sum(axis=0), 1)
            yield start_s, np.where(seen.mean(axis=0) > 0.5, mean, np.nan)
            rows, start_s = [], reading.t_s
        rows.append(reading.nominal_pa)
    raise CalibrationError("the readings ended", do="check the board's power and cable")


def _watch(blocks: Iterator[tuple[float, Array]], zero: Array, limit: Array) -> _Suck | None:
    """Follow one suck, from the first reaction until it was held long enough, or is gone."""
    t_s: list[float] = []
    rows: list[Array] = []
    begun_s = None
    peak_pa = peak_s = 0.0
    for now_s, pa in blocks:
        begun_s = now_s if begun_s is None else begun_s
        change = pa - zero
        beyond = np.flatnonzero(np.isfinite(zero) & ~np.isfinite(pa))
        size_pa = float(np.nan_to_num(np.abs(change)).max())
        if not rows and not (np.abs(change) > limit).any() and not len(beyond):
            if now_s - begun_s > _WAIT_S:
                return None
            continue
        t_s.append(now_s)
        rows.append(change)
        if size_pa > _RISES * peak_pa:
            peak_pa, peak_s = size_pa, now_s
        gone = size_pa < _FALLEN * peak_pa
        held = now_s - peak_s >= _PINCH_S + _HOLD_S or now_s - t_s[0] > _LONGEST_S
        if len(beyond) or gone or held:
            return _Suck(
                np.array(t_s), np.array(rows), peak_s, held and not gone, tuple(int(i) for i in beyond)
            )
    return None
