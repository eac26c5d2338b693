"""What really happened in a run: each opening of the skirt against the same run without it.

Definitions. Column j of a run has its first j openings; everything else is the same to the bit. M is the mean
over the taps of what the diaphragms see (after the hoses, before noise and faults of sensors). For opening j,
departure = M[j-1] - M[j] and share = departure / M[j-1].

- It is an event where share exceeds LEAST_SHARE and departure exceeds LEAST_PA for LEAST_S, while the
  suction without it carries HELD_SHARE of the car's weight: at idle nothing is held that could be lost.
- onset: the first step, going back from there, from which on share stays above ONSET_SHARE.
- end: from where share is below 2.5 ONSET_SHARE for SETTLED_S while M[j-1] is above 2 LEAST_PA; None if it
  never is.
- drop: the greatest share from the onset until the opening is as wide as it gets and 0.06 s on; bottom: where
  95 % of it is first reached.
- fall: from 10 % to 90 % of the departure at the bottom. Longer than SLOW_S it is a slow-leak, else a
  seal-loss.
- duration: how long share stays above half the drop round the bottom; brief: at most BRIEF_S.
- a tap's onset: where its own departure first exceeds a tenth of that at its greatest. first_tap where the
  leader leads by two rows or more, at the diaphragms and in the cells alike; order in ms after the first.
- throttle-cut: the driver takes the throttle to idle or off with at least CUT_PA there, and half is gone
  before the throttle goes up again; onset where 5 % are gone. Other moves of the throttle are not listed.
- sensor-fault: onset where the tap reads wrong by more than a tenth of the mean suction and FAULT_PA for
  LEAST_S, or has no reading; began_s when the fault itself began (a frozen tap reads right until the suction
  moves).
- data-gap: more than five sample periods without a row; onset at the last row before it.

Dips are what the road alone takes away: the run without openings against the same on a flat road, by more
than LEAST_SHARE and LEAST_PA; start, how long, how deep. They are no events.

An opening that stays below LEAST_SHARE is listed under `quiet`, an event below 0.20 is `marginal`.
"""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from worlds.vehicle import STEP_S, Array

LEAST_SHARE = 0.15
LEAST_PA = 30.0
HELD_SHARE = 0.1
LEAST_S = 0.02
ONSET_SHARE = 0.02
SETTLED_S = 0.06
SLOW_S = 1.0
BRIEF_S = 0.25
CUT_PA = 100.0
FAULT_PA = 20.0

Flags = NDArray[np.bool_]


def runs_of(on: Flags, least: int) -> list[tuple[int, int]]:
    """Begin and end of the stretches that are true for at least so many steps."""
    edges = np.flatnonzero(np.diff(np.concatenate([[False], on, [False]]).astype(np.int8)))
    pairs = edges.reshape(-1, 2)
    return [(int(a), int(b)) for a, b in pairs if b - a >= least]


def loss(
    without: Array,
    seen: Array,
    cells_without: Array,
    cells: Array,
    open_by_s: float,
    two_rows_s: float,
    weight_pa: float,
) -> dict[str, Any]:
    """One opening. Shapes (T, taps): seen at the diaphragms without and with it, and in the cells; weight_pa
    carries the car.
    """
    whole = without.mean(axis=1)
    gone = whole - seen.mean(axis=1)
    share = gone / np.maximum(whole, 1.0)
    matters = (share > LEAST_SHARE) & (gone > LEAST_PA) & (whole > HELD_SHARE * weight_pa)
    deep = runs_of(matters, round(LEAST_S / STEP_S))
    if not deep:
        real = whole > 2 * LEAST_PA
        return {"kind": None, "share": float(share[real].max()) if real.any() else 0.0}
    first = deep[0][0]
    before = np.flatnonzero(share[:first] <= ONSET_SHARE)
    onset = int(before[-1]) + 1 if len(before) else 0
    healed = [
        a
        for a, _ in runs_of(
            ((share < 2.5 * ONSET_SHARE) & (whole > 2 * LEAST_PA))[first:], round(SETTLED_S / STEP_S)
        )
    ]
    end = first + healed[0] if healed else None
    inside = slice(onset, end)
    # what the throttle does later must not count as the bottom
    near = share[onset : max(round(open_by_s / STEP_S), first + 1)]
    drop = float(near.max())
    bottom = onset + int(np.argmax(near >= 0.95 * drop))
    depth = gone[bottom]
    rising = gone[onset : bottom + 1]
    ten = onset + int(np.argmax(rising >= 0.1 * depth))
    ninety = onset + int(np.argmax(rising >= 0.9 * depth))
    fall_s = (ninety - ten) * STEP_S
    half = runs_of(share[inside] > 0.5 * drop, 1)
    duration = next(b - a for a, b in half if a <= bottom - onset < b)
    lead, order = _order(without - seen, onset, bottom), _order(cells_without - cells, onset, bottom)
    sure = len(lead) > 1 and lead[0][0] == order[0][0]
    sure = sure and min(lead[1][1], order[1][1]) >= two_rows_s * 1e3
    return {
        "kind": "slow-leak" if fall_s > SLOW_S else "seal-loss",
        "onset": onset,
        "bottom": bottom,
        "end": end,
        "drop": drop,
        "fall_s": fall_s,
        "duration_s": duration * STEP_S,
        "brief": bool(fall_s <= SLOW_S and duration * STEP_S <= BRIEF_S),
        "marginal": drop < 0.20,
        "from_pa": float(whole[onset]),
        "to_pa": float(seen.mean(axis=1)[bottom]),
        "first": lead[0][0] if sure else None,
        "order": lead,
    }


def dips(flat: Array, whole: Array) -> list[tuple[int, int, float]]:
    """Start, length in steps and depth of what the road takes away; two within 50 ms are one."""
    share = (flat - whole) / np.maximum(flat, 1.0)
    deep = (share > LEAST_SHARE) & (flat - whole > LEAST_PA)
    joined: list[tuple[int, int]] = []
    for a, b in runs_of(deep, 3):
        if joined and a - joined[-1][1] < 0.05 / STEP_S:
            joined[-1] = (joined[-1][0], b)
        else:
            joined.append((a, b))
    return [(a, b - a, float(share[a:b].max())) for a, b in joined]


def _order(gone: Array, onset: int, bottom: int) -> list[tuple[int, float]]:
    stop = bottom + round(0.05 / STEP_S)
    part = gone[onset:stop]
    most = part.max(axis=0)
    at = [
        (i, int(np.argmax(part[:, i] >= 0.1 * most[i])))
        for i in range(part.shape[1])
        if most[i] > LEAST_PA / 2
    ]
    at.sort(key=lambda pair: pair[1])
    return [(i, (k - at[0][1]) * STEP_S * 1e3) for i, k in at]


def cut(mean_pa: Array, at_s: float, up_again_s: float) -> int | None:
    """Step at which a throttle cut shows, or None where it takes nothing away."""
    k, stop = int(at_s / STEP_S), min(int(up_again_s / STEP_S), len(mean_pa))
    level = float(mean_pa[k])
    after = mean_pa[k:stop]
    if level < CUT_PA or not len(after) or after.min() > 0.5 * level:
        return None
    return k + int(np.argmax(after < 0.95 * level))


def wrong(healthy: Array, faulty: Array, mean_pa: Array) -> int | None:
    """Step from which a tap reads wrong or not at all."""
    bad = ~np.isfinite(faulty) | (np.abs(faulty - healthy) > np.maximum(0.1 * mean_pa, FAULT_PA))
    found = runs_of(bad, round(LEAST_S / STEP_S))
    return found[0][0] if found else None
