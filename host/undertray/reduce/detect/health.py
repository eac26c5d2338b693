"""Which taps can be believed at present."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray

from undertray.reduce.detect.blocks import Blocks
from undertray.reduce.detect.closeup import CloseUp
from undertray.reduce.detect.faults import TapFault, TapWatch
from undertray.reduce.detect.ledger import Ledger
from undertray.reduce.detect.marks import Marks
from undertray.reduce.detect.suspicion import Suspicion
from undertray.reduce.loss import Loss, LossParameters

__all__ = ["Health"]

Array = NDArray[np.float64]

_REMEMBER_FRAMES = 8


class Health:
    """Keeps the faults of every tap, and the weights of the good ones.

    Parameters
    ----------
    taps : int
        Number of taps.
    weights : array, shape (taps,), or None
        Weight of each tap in the mean; equal if left out.
    blocks : Blocks
        The blocks.
    closeup : CloseUp
        Looks at the raw rows of a fault.
    ledger : Ledger
        Where faults are told.
    parameters : LossParameters
        Thresholds.
    block_s : float
        Length of a block, s.
    quarantine : int
        Blocks that a tap stays out after its fault is over, so that no bad reading is left in
        what is compared.
    """

    def __init__(
        self,
        taps: int,
        weights: ArrayLike | None,
        blocks: Blocks,
        closeup: CloseUp,
        ledger: Ledger,
        parameters: LossParameters,
        block_s: float,
        quarantine: int,
    ) -> None:
        self._all = np.ones(taps) if weights is None else np.asarray(weights, float)
        self._blocks, self._closeup, self._ledger, self._p = blocks, closeup, ledger, parameters
        frozen = max(5, round(parameters.stuck_s / block_s))
        lost = max(2, int(parameters.gap_periods // blocks.rows) + 1)
        self._watch = TapWatch(taps, frozen, lost)
        self._faults: list[set[str]] = [set() for _ in range(taps)]
        self._told: dict[tuple[int, str], int] = {}
        self._starts: dict[tuple[int, str], int] = {}
        self._usual = np.zeros(taps)
        self._quarantine = quarantine
        self._back: dict[tuple[int, str], int] = {}
        self.weights = self._all / self._all.sum()
        self._before = self.weights

    def change(self) -> float:
        """How the usual mean changed with the weights since last asked.

        Returns
        -------
        float
            New mean over old; 1 where the taps never read anything.
        """
        old, new = float(self._before @ self._usual), float(self.weights @ self._usual)
        self._before = self.weights
        return new / old if old > 0 and new > 0 else 1.0

    def restore(self, tap: int, why: str, k: int) -> None:
        """The fault of a tap is over.

        Parameters
        ----------
        tap : int
            Which.
        why : str
            The fault.
        k : int
            Block from which on its readings are good.
        """
        self._back[tap, why] = k

    def lone(
        self, k: int, suspicion: Suspicion, explained: float, slack: float, floor_pa: float
    ) -> tuple[int, ...]:
        """Taps that alone read next to nothing while the others hold.

        Parameters
        ----------
        k : int
            Block to look at.
        suspicion : Suspicion
            The fall looked at.
        explained : float
            Lowest share of the level that the throttle explains.
        slack : float
            Share by which noise alone may move the mean of the others.
        floor_pa : float
            Suction below which nothing is judged, Pa.

        Returns
        -------
        tuple of int
        """
        weights = self.weights
        if np.count_nonzero(weights) < 2 or explained < 0.5:
            return ()
        first = max(min(k, suspicion.begun), k - 1)
        last = self._blocks.floats("tap_pa", first, k + 1).mean(axis=0)
        if not np.any(last < self._p.off_share * 1.5 * suspicion.level_pa):
            return ()
        before = np.median(self._blocks.floats("tap_pa", suspicion.ref0, suspicion.ref1), axis=0)
        share = np.divide(last, before, out=np.ones_like(last), where=before > floor_pa)
        gone = (share < self._p.off_share * explained) & (weights > 0)
        rest = np.where(gone, 0.0, weights)
        if not 0 < gone.sum() <= np.count_nonzero(weights) / 2:
            return ()
        level, of_the_rest = float(weights @ before), float(rest @ before)
        # several hoses do not come off in one instant, but a side of the skirt does
        if gone.sum() > 1 and 1 - of_the_rest / max(level, 1e-9) >= self._p.min_drop:
            return ()
        held = float(rest @ last) / max(of_the_rest, 1e-9)
        touched = 1 - held / explained if explained > 0 else 1.0
        return tuple(np.flatnonzero(gone).tolist()) if touched < self._p.alone_share + slack else ()

    def tell_off(self, tap: int, k: int, suspicion: Suspicion) -> None:
        """Tell of a tap that is off its hose.

        Parameters
        ----------
        tap : int
            Which.
        k : int
            Block in which that was clear.
        suspicion : Suspicion
            The fall looked at.
        """
        alone = np.zeros(len(self._all))
        alone[tap] = 1.0
        fall = self._closeup.measure(suspicion.ref0, k, suspicion.begun, alone)
        throttle = self._blocks.throttle(suspicion.begun)
        self._ledger.tell("sensor-fault", fall, throttle, 0.9, k, suspicion.speed, tap)
        self._faults[tap].add("off")
        self._reweigh()

    def scan(self, k0: int, k1: int, marks: Marks, flagged: bool) -> bool:
        """Look for taps that are stuck, missing or out of range, and for such that are good again.

        Parameters
        ----------
        k0, k1 : int
            First block, and the block after the last.
        marks : Marks
            By which suction the fans count as running.
        flagged : bool
            Whether any block is missing, frozen or out of range; if none is, only the ends of
            faults are looked for.

        Returns
        -------
        bool
            Whether the set of good taps changed.
        """
        if not (flagged or self._watch.running or self._back):
            if self._watch.pass_over() % _REMEMBER_FRAMES == 0:
                self._remember(self._blocks.floats("tap_pa", k1 - 1, k1), marks.floor_pa(self._p))
            return False
        flags = {
            name: np.asarray(self._blocks.take(name, k0, k1), bool)
            for name in ("missing", "beyond", "frozen")
        }
        taps = self._blocks.floats("tap_pa", k0, k1)
        floor_pa = marks.floor_pa(self._p)
        alive = taps @ self.weights > floor_pa
        before = [bool(f) for f in self._faults]
        for fault in self._watch.scan(k0, flags, alive):
            if fault.end is not None:
                self.restore(fault.tap, fault.why, fault.end)
                place = self._told.pop((fault.tap, fault.why), None)
                if place is not None:
                    self._ledger.end(place, self._blocks.time(fault.end))
                continue
            if not self._faults[fault.tap]:
                self._told[fault.tap, fault.why] = self._tell(fault)
            self._faults[fault.tap].add(fault.why)
            self._back.pop((fault.tap, fault.why), None)
        for (tap, why), k in list(self._back.items()):
            if k1 >= k + self._quarantine:
                self._faults[tap].discard(why)
                del self._back[tap, why]
        changed = before != [bool(f) for f in self._faults]
        if changed:
            self._reweigh()
        else:
            self._remember(taps, floor_pa)
        return changed

    def _remember(self, taps: Array, floor_pa: float) -> None:
        """Keep what the taps usually read while the fans run."""
        mean = taps[0] if len(taps) == 1 else taps.mean(axis=0)
        if float(mean @ self.weights) > floor_pa:
            self._usual = np.where(self._usual > 0, 0.9 * self._usual + 0.1 * mean, mean)

    def _reweigh(self) -> None:
        weights = np.where([bool(f) for f in self._faults], 0.0, self._all)
        # with no good tap left, the mean of all is as good as any
        self.weights = weights / weights.sum() if weights.sum() > 0 else self._all / self._all.sum()

    def _tell(self, fault: TapFault) -> int:
        k = max(fault.start, self._blocks.first)
        same = [
            place
            for (tap, why), place in self._told.items()
            if why == fault.why == "missing" and self._starts.get((tap, why)) == fault.start
        ]
        self._starts[fault.tap, fault.why] = fault.start
        if same:
            self._ledger.also(same[0], fault.tap)
            return same[0]
        at = self._blocks.time(k)
        if fault.why != "beyond" and k == fault.start:
            at = self._closeup.fault_began(k, fault.tap, fault.why == "missing")
        before = self._blocks.floats("tap_pa", max(k - 10, self._blocks.first), k)[:, fault.tap]
        level = float(before.mean()) if before.size and np.isfinite(before).all() else None
        to = None if fault.why == "missing" else float(self._blocks.floats("tap_pa", k, k + 1)[0, fault.tap])
        throttle = self._blocks.throttle(k)
        name = self._ledger.name(fault.tap)
        return self._ledger.add(
            Loss(
                "sensor-fault",
                onset_s=at,
                bottom_s=at,
                first_tap=name,
                order=(name,),
                from_pa=level,
                to_pa=to,
                throttle_us=throttle if np.isfinite(throttle) else None,
                confidence=0.9,
            )
        )
