"""The detector scored at full size: 500 invented runs, and ten hours of clean, hard driving."""

from __future__ import annotations

import pytest

from undertray.reduce.losses import find_losses
from undertray.reduce.score import Truth, score
from undertray.virtual.scenarios import make_recording

pytestmark = pytest.mark.slow


def told(recording):
    return find_losses(
        recording.t_s,
        recording.suction_pa,
        recording.throttle_us,
        out_of_range=recording.out_of_range,
        period_s=1 / recording.facts["rate_hz"],
    )


def test_500_runs():
    def runs():
        for seed in range(500):
            recording = make_recording(seed)
            truth = [
                Truth(e.kind, e.onset_s, f"p{e.taps[0] + 1}" if e.taps else None) for e in recording.truth
            ]
            yield truth, told(recording), 1 / recording.facts["rate_hz"]

    result = score(runs())
    assert result.recall >= 0.99
    assert result.precision >= 0.99
    assert result.kind_right >= 0.97
    assert result.onset_median_s <= 0.010
    assert result.onset_p95_s <= 0.030


def test_ten_hours_of_clean_driving_have_no_seal_loss():
    """Hard throttle work and up to one bump a second, none of it a loss."""
    losses = [
        (seed, event)
        for seed in range(5000, 5200)
        for event in told(make_recording(seed, 180.0, happenings=False))
        if event.kind == "seal-loss"
    ]
    assert losses == []
