"""How far back the detector may compare, and how loud the run is."""

from __future__ import annotations

from dataclasses import dataclass, field

from undertray.reduce.detect.leak import Creep
from undertray.reduce.detect.noise import Noise
from undertray.reduce.loss import LossParameters

__all__ = ["Marks"]


@dataclass(slots=True)
class Marks:
    """What the parts of the detector share. Blocks by their number in the run.

    Attributes
    ----------
    start : int
        First block after the last data gap.
    after_fall, after_cut, after_leak : int
        First block after the last loss, after the last throttle cut, and from which on the seal
        index is watched: nothing is compared with what was before.
    quiet : int
        First block that may be suspected of a loss.
    noise : Noise
        Noise of the run so far.
    top_pa : float
        Highest suction that stood for a frame, slowly forgotten, Pa.
    opening : Creep or None
        A slow leak that showed in the last frame and has not come to rest.
    sank : bool
        The seal index fell since the last second look, whatever made it fall.
    """

    start: int = 0
    after_fall: int = 0
    after_cut: int = 0
    after_leak: int = 0
    quiet: int = 0
    noise: Noise = field(default_factory=Noise)
    top_pa: float = 0.0
    opening: Creep | None = None
    sank: bool = False

    def floor_pa(self, p: LossParameters) -> float:
        """Suction below which nothing is judged.

        Parameters
        ----------
        p : LossParameters
            Thresholds.

        Returns
        -------
        float
            Pa.
        """
        return max(p.min_level_pa, p.level_share * self.top_pa, 8 * self.noise.short_pa)
