"""Scripted runs of one invented car: what `undertray virtual` plays and `demo_logs/` records.

Everything here is made up: the car, its skirts, its sensors and what befalls it. Nothing is
taken from a real car.
"""

from __future__ import annotations

import json
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from types import MappingProxyType
from typing import Any

from undertray.errors import BoardError, parser_words

__all__ = ["CAR", "STORIES", "UID", "Story", "load_story"]

_MAX_STORY_BYTES = 65536

UID = "e6614103e7452d2f"
"""Id of the invented car's board."""

CAR: Mapping[str, Any] = MappingProxyType(
    {
        "fan_pa": 2300.0,
        "fan_flow_m3_s": 0.021,
        "spin_up_s": 0.14,
        "spin_down_s": 0.32,
        "plenum_s": 0.006,
        "noise_pa": 4.0,
        "ripple": 0.008,
        "ripple_hz": 23.0,
        "tap_shares": [1.06, 1.03, 0.97, 0.94],
        # what the calibration has to find; the HSC data sheet allows about 1 % of full scale
        "sensor_gain": [1.012, 0.991, 1.006, 0.985],
        "sensor_offset_pa": [-9.0, 14.0, 4.0, -12.0],
        "pack_full_mv": 8300,
        "pack_nominal_mv": 8000,
        "pack_load_mv": 380,
        "pack_drain_mv_s": 4.0,
    }
)
"""Physical figures of the invented demo car (units in the names, see ``virtual/physics.py``)."""


@dataclass(frozen=True, slots=True)
class Story:
    """One scripted run."""

    summary: str
    seconds: float
    facts: Mapping[str, Any]
    spec: Mapping[str, Any]


_SKIRT_LEAK_CM2 = {
    "closed-cell foam, 0.3 mm gap": 2.6,
    "brush strip, 0.5 mm gap": 3.2,
}


def _story(summary: str, seconds: float, skirt: str, seed: int, **spec: Any) -> Story:
    facts = {
        "car": "Moorhen 10 (invented)",
        "skirt": skirt,
        "notes": {"surface": "painted board", "invented": "yes"},
    }
    car = {**CAR, "leak_cm2": _SKIRT_LEAK_CM2[skirt]}
    return Story(summary, seconds, facts, {"seed": seed, "uid": UID, "car": car, **spec})


_STAND_S = 25.0
_COLUMN_MM = (0, 20, 40, 60, 80, 100, 120, 100, 80, 60, 40, 20, 0)
_PA_PER_MM = 9.777  # derived: water and air at 20 degC, latitude 45 degrees
_PUMP_PA = 2300.0


def _column() -> Story:
    """Every sensor teed on one water column: a sealed pump without a leak, that gives speed squared."""
    pump = {
        **CAR,
        "fan_pa": _PUMP_PA,
        "leak_cm2": 0.0,
        "noise_pa": 1.5,
        "ripple": 0.0,
        "tap_shares": [1.0] * 4,
        **dict.fromkeys(("pack_full_mv", "pack_nominal_mv"), 8000),
        **dict.fromkeys(("pack_load_mv", "pack_drain_mv_s"), 0),
    }
    throttle: list[list[float]] = []
    for i, height_mm in enumerate(_COLUMN_MM):
        width_us = round(1000 + 1000 * (height_mm * _PA_PER_MM / _PUMP_PA) ** 0.5)
        throttle += [[i * (_STAND_S + 2), width_us], [i * (_STAND_S + 2) + _STAND_S, width_us]]
    return Story(
        f"all sensors on one water column, to practise 'undertray calibrate': {_STAND_S:.0f} s each at "
        f"{', '.join(str(mm) for mm in _COLUMN_MM)} mm",
        len(_COLUMN_MM) * (_STAND_S + 2),
        {"notes": {"invented": "yes"}},
        {
            "seed": 61,
            "uid": UID,
            "car": pump,
            "repeat_s": len(_COLUMN_MM) * (_STAND_S + 2),
            "throttle": throttle,
            "told": [
                [i * (_STAND_S + 2), f"the column stands at {height_mm} mm for {_STAND_S:.0f} s"]
                for i, height_mm in enumerate(_COLUMN_MM)
            ],
        },
    )


_TAPS = ("front left", "front right", "rear left", "rear right")
_SUCK_S = 20.0


def _taps() -> Story:
    """Somebody sucks at one tap after the other; the third hose leaks."""
    bench = {**CAR, "noise_pa": 1.5, "ripple": 0.0, "pack_drain_mv_s": 0}
    return Story(
        f"somebody sucks at one tap after the other, {_SUCK_S:.0f} s each, to practise "
        "'undertray check-taps'; the third hose leaks",
        len(_TAPS) * _SUCK_S,
        {"notes": {"invented": "yes"}},
        {
            "seed": 71,
            "uid": UID,
            "car": bench,
            "repeat_s": len(_TAPS) * _SUCK_S,
            "throttle": [[0.0, 1000]],
            "happenings": [
                {
                    "kind": "suck",
                    "tap": i,
                    "pa": 520.0,
                    "leak_pa_s": 30.0 if i == 2 else 1.0,
                    **{"at_s": i * _SUCK_S + 8, "over_s": 0.6, "until_s": i * _SUCK_S + 15, "close_s": 0.1},
                }
                for i in range(len(_TAPS))
            ],
            "told": [
                line
                for i, tap in enumerate(_TAPS)
                for line in (
                    [i * _SUCK_S, f"the {tap} tap is next: Enter in check-taps, then wait"],
                    [i * _SUCK_S + 8, f"somebody sucks at the {tap} tap and pinches it shut"],
                    [i * _SUCK_S + 15, "and lets go"],
                )
            ],
        },
    )


def _bump(at_s: float, leak_cm2: float) -> Mapping[str, Any]:
    over = {"until_s": round(at_s + 0.03, 6), "over_s": 0.01, "close_s": 0.03}
    return {"kind": "bump", "at_s": at_s, **over, "leak_cm2": leak_cm2}


_FRONT_FOLD: Mapping[str, Any] = {
    **{"kind": "skirt-fold", "over_s": 0.035, "order": [0, 1, 2, 3], "near": 0.6, "spread_s": 0.015},
    **{"leak_cm2": 11.0, "flutter_s": 0.8},
}
_HOLD = [[0.0, 1000], [2.0, 1000], [2.6, 1700]]

STORIES: Mapping[str, Story] = MappingProxyType(
    {
        "lap": _story(
            "30 s, over and over: throttle up, two bumps, the front skirt folds and recovers, cut",
            30.0,
            "brush strip, 0.5 mm gap",
            11,
            repeat_s=30,
            throttle=[*_HOLD, [12.0, 1700], [12.4, 1850], [24.0, 1850], [24.1, 1000]],
            happenings=[
                _bump(8.0, 1.2),
                _bump(9.5, 1.2),
                {
                    "kind": "skirt-fold",
                    "at_s": 18.0,
                    "until_s": 20.0,
                    "over_s": 0.03,
                    "close_s": 0.2,
                    "order": [0, 1, 2, 3],
                    "near": 0.5,
                    "spread_s": 0.015,
                    "leak_cm2": 12.0,
                },
            ],
        ),
        "clean-hold": _story(
            "a clean run upside down: throttle up, a firm hold with two throttle steps, cut",
            22.0,
            "closed-cell foam, 0.3 mm gap",
            21,
            throttle=[
                *_HOLD,
                [9.0, 1700],
                [9.2, 1800],
                [14.0, 1800],
                [14.2, 1700],
                [19.0, 1700],
                [19.05, 1000],
            ],
            happenings=[
                _bump(6.5, 1.0),
            ],
        ),
        "front-fold": _story(
            "the front skirt flutters, then folds under: the front axle lets go first",
            16.0,
            "brush strip, 0.5 mm gap",
            31,
            throttle=[*_HOLD, [14.0, 1700], [14.05, 1000]],
            happenings=[{**_FRONT_FOLD, "at_s": 10.0}],
        ),
        "short-fold": _story(
            "nine seconds: throttle up, the front skirt flutters and folds under, throttle cut",
            9.0,
            "brush strip, 0.5 mm gap",
            33,
            throttle=[[0.0, 1000], [1.0, 1000], [1.5, 1700], [7.5, 1700], [7.55, 1000]],
            happenings=[{**_FRONT_FOLD, "at_s": 5.5}],
        ),
        "slow-leak": _story(
            "a corner of the skirt peels off over four seconds; the throttle never moves until the cut",
            20.0,
            "brush strip, 0.5 mm gap",
            41,
            throttle=[*_HOLD, [17.0, 1700], [17.05, 1000]],
            happenings=[{"kind": "slow-leak", "at_s": 8.0, "over_s": 4.0, "leak_cm2": 3.0}],
        ),
        "hose-off": _story(
            "the hose of the rear left tap slips off its nipple; the car holds",
            14.0,
            "closed-cell foam, 0.3 mm gap",
            51,
            throttle=[*_HOLD, [12.5, 1700], [12.55, 1000]],
            happenings=[{"kind": "hose-off", "at_s": 7.0, "tap": 2}],
        ),
        "column": _column(),
        "taps": _taps(),
    }
)
"""Every story by name."""


def load_story(name: str) -> Mapping[str, Any]:
    """Find the scenario of a story."""
    if name in STORIES:
        return STORIES[name].spec
    path = Path(name)
    known = "one of " + ", ".join(STORIES) + ", or a JSON file"
    try:
        with path.open("rb") as file:
            content = file.read(_MAX_STORY_BYTES + 1)
    except OSError as error:
        raise BoardError("no such story", seen=name, expected=known) from error
    if len(content) > _MAX_STORY_BYTES:
        raise BoardError("story too long", where=str(path), expected=f"at most {_MAX_STORY_BYTES} bytes")
    try:
        spec = json.loads(content)
    except (ValueError, RecursionError) as error:
        why = parser_words(error)
        raise BoardError(f"not JSON: {why}", where=str(path), expected="a scenario") from error
    if not isinstance(spec, dict):
        raise BoardError("not a scenario", where=str(path), seen=spec, expected="a JSON object")
    return spec
