"""What leaves a hold unsure: a sound run of the invented car, with one thing wrong each time."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from typing import Any

import numpy as np
import pytest

from fakes.reductions import invented_car
from fakes.runs import run_of
from undertray.calibrate.calibration import Calibration, ColumnCalibration
from undertray.reduce.run import reduce_run
from undertray.report.verdict import judge

T_S = np.arange(2400) / 200
UP = (T_S >= 2.0) & (T_S < 11.0)
SPELL = (T_S >= 6.0) & (T_S < 9.0)
TAPS = ("front-left", "front-right", "rear-left", "rear-right")


def suction_pa(level_pa: float = 1500.0) -> Any:
    rng = np.random.default_rng(3)
    level = np.where(T_S >= 2.0, -np.expm1(-(T_S - 2.0) / 0.15), 0.0)
    level = np.where(T_S >= 11.0, level * np.exp(-(T_S - 11.0) / 0.3), level)
    return level_pa * level[:, None] * np.linspace(1.05, 0.95, 4) + rng.normal(0, 6.0, (len(T_S), 4))


def calibration(top_pa: float = 2400.0) -> Calibration:
    column = ColumnCalibration("part", np.array([0.0, 1.0]), np.diag([4.0, 1e-8]), (0.0, top_pa), 1.0)
    return Calibration("2026-05-02T00:00:00Z", {}, 9.80665, "00", {f"p{i}": column for i in range(1, 5)})


def caveats_of(pa: Any, car: Any = None, used: Calibration | None = None, **changes: Any) -> tuple[str, ...]:
    run = replace(run_of(T_S, pa, np.where(UP, 1700.0, 1000.0)), **changes)
    reduction = reduce_run(run, car or invented_car(), used or calibration())
    assert judge(reduction).word == ("held, but not surely" if reduction.caveats else "held")
    return reduction.caveats


def test_a_sound_run_has_none() -> None:
    assert caveats_of(suction_pa()) == ()


def _railed(pa: Any) -> None:
    pa[SPELL] = 4100.0


def _stuck(pa: Any) -> None:
    pa[:, 2] = 1500.0


def _front_gone(pa: Any) -> None:
    pa[SPELL, :2] = np.nan


def _off_zero(pa: Any) -> None:
    pa[:, 1] += 120.0


@pytest.mark.parametrize(
    ("spoil", "said"),
    [
        (
            _railed,
            f"the readings of {', '.join(TAPS)} were beyond the range of the part with the throttle up",
        ),
        (_stuck, "the readings of rear-left never moved"),
        # derived: gone for 3 s of the 9 s that the throttle was up
        (_front_gone, "no tap in the front half was good in 33% of the rows with the throttle up"),
        (
            _off_zero,
            "at rest the readings are further from zero than the calibration allows: front-right +12",
        ),
    ],
)
def test_taps_that_cannot_be_trusted(spoil: Callable[[Any], None], said: str) -> None:
    pa = suction_pa()
    spoil(pa)
    assert any(one.startswith(said) for one in caveats_of(pa))


def test_a_little_of_it_is_nothing() -> None:
    pa = suction_pa()
    pa[1000:1010] = 4100.0  # 10 of the 1800 rows with the throttle up
    pa[1100:1110, :2] = np.nan
    pa[:, 1] += 8.0
    assert caveats_of(pa) == ()


def test_one_tap_of_an_axle_that_is_gone_widens_the_uncertainty_and_no_more() -> None:
    pa = suction_pa()
    pa[SPELL, 0] = np.nan
    assert caveats_of(pa) == ()


def test_suction_beyond_the_calibrated_range() -> None:
    said = f"the readings of {', '.join(TAPS)} were outside the calibrated range with the throttle up"
    assert caveats_of(suction_pa(), used=calibration(500.0)) == (said,)
    assert caveats_of(suction_pa(), used=calibration(1600.0)) == ()


def test_a_reset_of_unknown_length() -> None:
    run = run_of(T_S, suction_pa(), np.where(UP, 1700.0, 1000.0))
    t_us, seq = run.t_us.copy(), run.seq.copy()
    t_us[1200:] -= t_us[1200] - 1000
    seq[1200:] = np.arange(1200)
    (said,) = caveats_of(suction_pa(), t_us=t_us, seq=seq, host_us=np.full(len(T_S), -1))
    assert said == "the board was reset, and for how long no rows came is unknown"


def test_many_short_holes_are_as_much_as_a_long_one() -> None:
    kept = ~((T_S > 4.0) & (T_S < 9.0) & (T_S % 1.0 < 0.4))
    run = run_of(T_S[kept], suction_pa()[kept], np.where(UP, 1700.0, 1000.0)[kept])
    run = replace(run, seq=np.flatnonzero(kept) % 65536)
    assert reduce_run(run, invented_car(), calibration()).caveats == ("no rows came for 2.0 s of it",)


@pytest.mark.parametrize(("share", "said"), [(0.01, ""), (0.3, "rows were lost on the way, {:.0%} of all")])
def test_rows_lost_one_by_one_leave_no_sure_hold(share: float, said: str) -> None:
    kept = np.random.default_rng(4).random(len(T_S)) >= share
    run = run_of(T_S[kept], suction_pa()[kept], np.where(UP, 1700.0, 1000.0)[kept])
    reduction = reduce_run(replace(run, seq=np.flatnonzero(kept) % 65536), invented_car(), calibration())
    assert [one.partition(" ")[2] for one in reduction.caveats] == [said.format(1 - kept.mean())] * bool(said)
    assert judge(reduction).word == ("held, but not surely" if said else "held")


@pytest.mark.parametrize(
    ("angle_deg", "mu", "doubtful"), [(90, None, True), (90, 0.9, False), (0, None, False)]
)
def test_a_wall_without_a_friction_number(angle_deg: float, mu: float | None, doubtful: bool) -> None:
    car = replace(invented_car(), surface_angle_deg=angle_deg, tyre_mu=mu)
    said = "whether it slides is not judged, as the car file gives no tyre_mu"
    assert caveats_of(suction_pa(), car) == ((said,) if doubtful else ())


def test_rows_without_any_tap_are_said_and_leave_no_sure_hold() -> None:
    pa = suction_pa()
    pa[SPELL] = np.nan
    reduction = reduce_run(run_of(T_S, pa, np.where(UP, 1700.0, 1000.0)), invented_car(), calibration())
    assert "no tap was good for 3.00 s: nothing is known of that time" in reduction.notices
    verdict = judge(reduction)
    assert verdict.word == "held, but not surely"
    assert "for 3.00 s of the time that counts no suction was measured" in verdict.headline


@pytest.mark.parametrize(("left", "said"), [(1.0, False), (0.4, True)])
def test_less_suction_behind_a_long_gap_at_the_same_throttle_is_said(left: float, said: bool) -> None:
    """Too long a gap to tell a loss in; that the axles are below their need then is another matter."""
    pa = suction_pa(2200.0)
    pa[T_S >= 5.0] *= left
    seen = (T_S <= 5.0) | (T_S >= 5.6)
    run = run_of(T_S[seen], pa[seen], np.where(UP, 1700.0, 1000.0)[seen])
    caveats = reduce_run(run, invented_car(), calibration()).caveats
    words = "behind the gap from 5.00 to 5.60 s the suction is 60% lower at the same throttle: the seal may"
    assert any(words in text for text in caveats) is said


def test_a_throttle_that_is_lower_behind_a_gap_leaves_no_such_doubt() -> None:
    pa = suction_pa(2200.0)
    lower = T_S >= 5.0
    pa[lower] *= 0.4
    seen = (T_S <= 5.0) | (T_S >= 5.6)
    pulse = np.where(lower & UP, 1450.0, np.where(UP, 1700.0, 1000.0))
    caveats = reduce_run(run_of(T_S[seen], pa[seen], pulse[seen]), invented_car(), calibration()).caveats
    assert not any("behind the gap" in text for text in caveats)
