"""A step beside throttle work, and the best chance for the throttle: could another fan have done it?"""

from __future__ import annotations

import numpy as np

from undertray.reduce.detect.rotor import HARDEST, RotorLaw, fit_rotor, follow_rotor
from undertray.reduce.detect.steps import MOVING, Step
from undertray.reduce.detect.stretch import Stretch

__all__ = ["explained"]

_ROUNDS = 6
_BRAKED = 6.0  # how much faster a fan may slow down than the law has it


def explained(step: Step, s: Stretch, law: RotorLaw, min_drop: float) -> bool:
    """Tell whether a step may be the throttle's own doing.

    Parameters
    ----------
    step : Step
        The step.
    s : Stretch
        The blocks.
    law : RotorLaw
        The law fitted to them.
    min_drop : float
        Smallest fall that counts, as a share.

    Returns
    -------
    bool
        Where the throttle was worked: no more went than the pulse itself asked for, as from a fan that is
        braked at once; or another fan, fitted to the step too, has both it and all the rest.
    """
    before, after, whole = step.before, step.after, slice(step.before.start, step.after.stop)
    e = law.expected_pa
    if abs(np.log(e[after].mean() / e[before].mean())) < MOVING:
        return False
    if _as_asked(step, s, law, min_drop):
        return True
    data = (s.mean_pa, s.throttle_us, s.use, s.restart, s.block_s)
    forced = np.zeros(len(e), bool)
    forced[whole] = s.use[whole]
    full = e[after].mean() * np.median(s.mean_pa[before] / e[before])
    for faster in (1.0, _BRAKED):
        start = law.parameters.copy()
        start[3] += np.log(faster)
        other = fit_rotor(*data, start, _ROUNDS, forced)
        if other is None:
            continue
        held = other.expected_pa[after] * np.median(s.mean_pa[before] / other.expected_pa[before])
        left = np.median(held - s.mean_pa[after]) / full
        if left < max(min_drop, 0.4 * step.drop) and other.scatter < 1.3 * law.scatter + 0.003:
            return True
    return False


def _as_asked(step: Step, s: Stretch, law: RotorLaw, min_drop: float) -> bool:
    """Did no more go than the pulse itself asked for?"""
    at_once = law.parameters.copy()
    at_once[3] = HARDEST
    found = follow_rotor(at_once, s.mean_pa, s.throttle_us, s.use, s.restart, s.block_s)
    if found is None:
        return False
    asked = float(np.median(found[0][step.after]) / law.expected_pa[step.before].mean())
    left = float(np.median(s.mean_pa[step.after]) / np.median(s.mean_pa[step.before]))
    return left > (1 - min_drop) * asked
