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
    """How well it was found.

    Attributes
    ----------
    runs : int
        Recordings.
    recall, precision : float or None
        Of seal losses: share of the true ones that were found as such, and share of the told ones
        that were true; None where there were none.
    kind_right : float or None
        Share of all true events that were found with their kind.
    onset_median_s, onset_p95_s : float or None
        Distance between told and true onset of the seal losses found.
    within : float or None
        Share of those within two samples or 10 ms, whichever is more.
    first_tap_right : float or None
        Share of seal losses with a known first tap where that was told; it is not where taps fell together.
    confusion : mapping of (str, str or None) to int
        How often a true kind was found as which; None for not at all.
    unmatched : mapping of str to int
        Told events that match no true one, by kind. Throttle cuts are counted only where the truth
        lists the cuts that the driver made; it need not.
    """

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
    """Pair true events with told ones.

    Parameters
    ----------
    truth : sequence of Truth
        What happened.
    told : sequence of Loss
        What was found.

    Returns
    -------
    list of (Truth, Loss or None)
        Each true event with the nearest told one not yet taken whose onset lies within 0.25 s (2.5
        s for a slow leak), one of the same kind first.
    """
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
    """Score the detector over recordings.

    Parameters
    ----------
    runs : iterable of (sequence of Truth, sequence of Loss, float)
        For each recording what happened, what was found, and the sample period in s.

    Returns
    -------
    Score
    """
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
