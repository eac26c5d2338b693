"""The detector to come: explanations that compete. Scored beside today's until it holds; nothing uses it yet.

On seeds that nobody tuned on it finds more, and more of what it tells is true, on the worlds of the tests;
on the invented runs of the program it tells two losses too many in forty runs, and it takes some ten times
the time. ``tests/bench/score_detectors.py`` prints both side by side.
"""

from __future__ import annotations

from collections.abc import Sequence

from numpy.typing import ArrayLike

from undertray.reduce.losses import told_by
from undertray.reduce.products import Table
from undertray.reduce.seek.detector import Detector
from undertray.reduce.seek.parameters import Finding, SeekParameters

__all__ = ["Finding", "SeekParameters", "find"]


def find(
    t_s: ArrayLike,
    suction_pa: ArrayLike | Table,
    throttle_us: ArrayLike | None = None,
    parameters: SeekParameters | None = None,
    *,
    tap_names: Sequence[str] | None = None,
    weights: ArrayLike | None = None,
    out_of_range: ArrayLike | Table | None = None,
    period_s: float | None = None,
) -> tuple[Finding, ...]:
    """Find the events of a run; all as :func:`undertray.reduce.losses.find_losses` takes it.

    Parameters
    ----------
    t_s : array, shape (n,)
        Time of each row, s, rising.
    suction_pa : array, shape (n, taps) or (n,)
        Suction at each tap, Pa, positive below ambient; NaN where a reading is missing.
    throttle_us : array, shape (n,), or None
        Throttle pulse width, µs; NaN where unknown.
    parameters : SeekParameters or None
        What to go by.
    tap_names : sequence of str or None
        Names for the events; p1, p2, ... if left out.
    weights : array, shape (taps,), or None
        Weight of each tap in the mean, such as its floor area; equal if left out.
    out_of_range : array of bool, shape (n, taps), or None
        Readings beyond the sensor's range.
    period_s : float or None
        The sample period, s; measured if left out.

    Returns
    -------
    tuple of Finding
        In order of onset.

    Raises
    ------
    ReductionError
        When shapes do not fit or the time does not rise.

    Notes
    -----
    What the fan does not explain is explained anew: a window round it is taken as the fan, whose law may
    depart from what the rest of the run taught at a price, plus as few pieces as pay for themselves: a sudden
    or slow fall, a dip that heals, a fan that did otherwise. A fall counts as a loss if it stands, or heals
    after more than ``dip_s`` (then it is ``brief`` up to ``brief_s``); what heals sooner is a bump of the
    road, and no event. Nothing is told at idle, where there is nothing to lose.

    A tap is judged by the others first: missing, stuck, at its limit, off its hose, or late (clogged,
    pinched). It is no fault where all of several taps are missing at once.

    Gaps up to ``outage_s`` are bridged: a loss that began in one has ``onset_between_s``. Without a throttle
    a fall within ``coast_s`` is a loss, with less confidence; a slower one is not told, nor a fall to
    nothing.
    """
    return told_by(
        lambda period, taps: Detector(
            period, taps, parameters, tap_names=tap_names, weights=weights, alarms=False
        ),
        t_s,
        suction_pa,
        throttle_us,
        out_of_range,
        period_s,
    )
