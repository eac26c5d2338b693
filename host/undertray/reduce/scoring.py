"""How well the detector finds what really happened."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from undertray.reduce.loss import Loss

__all__ = ["Score", "Truth", "match", "score"]

_NEAR_S = 0.25
_NEAR_SLOW_S = 2.5


@dataclass(frozen=True, slots=True)
class Truth:
    """What really happened: kind, onset in s, and the tap it reached first where that is known."""

    kind: str
    onset_s: float
    first_tap: str | None = None


@dataclass(frozen=True, slots=True)
class Score:
    """How well it was found."""

    runs: int
    recall: float | None
    precision: float | None
    kind_right: float | None
    onset_median_s: float | None
    onset_p95_s: float | None
    within: float | None
    first_tap_right: float | None
    confusion: Mapping[tuple[str, str | None], int]
    unmatched: Mapping[str, int]


def match(truth: Sequence[Truth], told: Sequence[Loss]) -> list[tuple[Truth, Loss | None]]:
    """Pair true events with told ones."""
    free, pairs = list(told), []
    for event in truth:
        near = _NEAR_SLOW_S if event.kind == "slow-leak" else _NEAR_S
        candidates = [e for e in free if abs(e.onset_s - event.onset_s) <= near]
        onset, kind = event.onset_s, event.kind
        best = min(candidates, key=lambda e: (e.kind != kind, abs(e.onset_s - onset)), default=None)
        if best is not None:
            free.remove(best)
        pairs.append((event, best))
    return pairs


def score(runs: Iterable[tuple[Sequence[Truth], Sequence[Loss], float]]) -> Score:
    """Score the detector over recordings."""
    confusion: Counter[tuple[str, str | None]] = Counter()
    unmatched: Counter[str] = Counter()
    errors, inside, firsts, count = [], [], [], 0
    for truth, told, period_s in runs:
        count += 1
        pairs = match(truth, told)
        taken = [id(found) for _, found in pairs if found is not None]
        unmatched.update(e.kind for e in told if id(e) not in taken)
        for event, found in pairs:
            confusion[event.kind, found.kind if found is not None else None] += 1
            if found is not None and event.kind == found.kind == "seal-loss":
                errors.append(abs(found.onset_s - event.onset_s))
                inside.append(errors[-1] <= max(2 * period_s, 0.010))
                if event.first_tap is not None and found.first_tap is not None:
                    firsts.append(found.first_tap == event.first_tap)
    hit = confusion["seal-loss", "seal-loss"]
    true = sum(n for (kind, _), n in confusion.items() if kind == "seal-loss")
    said = sum(n for (_, kind), n in confusion.items() if kind == "seal-loss") + unmatched["seal-loss"]
    return Score(
        runs=count,
        recall=_share(hit, true),
        precision=_share(hit, said),
        kind_right=_share(sum(n for (a, b), n in confusion.items() if a == b), sum(confusion.values())),
        onset_median_s=float(np.median(errors)) if errors else None,
        onset_p95_s=float(np.percentile(errors, 95)) if errors else None,
        within=_share(sum(inside), len(inside)),
        first_tap_right=_share(sum(firsts), len(firsts)),
        confusion=dict(sorted(confusion.items(), key=str)),
        unmatched=dict(sorted(unmatched.items())),
    )


def _share(part: int, whole: int) -> float | None:
    return part / whole if whole else None
