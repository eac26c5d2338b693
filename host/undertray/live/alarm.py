"""The alarm of the live view: when it begins, what it says, when it is over."""

from __future__ import annotations

from collections.abc import Sequence

from undertray.reduce.loss import Loss
from undertray.reduce.steady import REST_US

__all__ = ["Alarm"]

_BACK = 0.9  # a lost seal is back once the suction is back at this share
_ARM_S = 1.0
_WORDS = {"seal-loss": "SEAL LOST", "slow-leak": "LEAK OPENING"}


class Alarm:
    """What is wrong, in words.

    Attributes
    ----------
    words : str
        Empty while nothing is wrong.
    count : int
        How often an alarm began.

    Notes
    -----
    Three things raise it: a fall of suction that no throttle explains; an axle that no longer
    holds after both had held for 1 s; the board's own alarm output. The first ends when 90 %
    of the suction is back, the second when the axle holds again, both when the throttle goes to
    rest.
    """

    def __init__(self) -> None:
        self.words = ""
        self.count = 0
        self._loss: Loss | None = None
        self._held_since_s: float | None = None
        self._armed = False

    def update(
        self,
        t_s: float,
        begun: Sequence[Loss],
        *,
        suction_pa: float | None,
        margin_n: float | None,
        required_n: float | None,
        throttle_us: float | None,
        of_board: bool,
    ) -> None:
        """Take in what the last rows told.

        Parameters
        ----------
        t_s : float
            Board time, s.
        begun : sequence of Loss
            Falls that the detector has just raised.
        suction_pa : float or None
            Mean suction, Pa.
        margin_n : float or None
            Margin of the axle that has the least, N; None without a car.
        required_n : float or None
            What the whole car needs, N.
        throttle_us : float or None
            Last pulse.
        of_board : bool
            The board's own alarm output is on.
        """
        idle = throttle_us is not None and throttle_us <= REST_US
        self._loss = begun[-1] if begun else self._loss
        if self._loss is not None and (idle or self._is_back(suction_pa)):
            self._loss = None
        words = [self._loss_words()] if self._loss is not None else []
        if self._not_holding(t_s, idle, margin_n, required_n):
            words.append("DOES NOT HOLD")
        if of_board:
            words.append("BOARD ALARM")
        self.count += bool(words) and not self.words
        self.words = ", ".join(words)

    def _is_back(self, suction_pa: float | None) -> bool:
        before = self._loss.from_pa if self._loss else None
        return suction_pa is not None and before is not None and suction_pa >= _BACK * before

    def _loss_words(self) -> str:
        assert self._loss is not None
        word = _WORDS.get(self._loss.kind, "SUCTION LOST")
        return f"{word} at {self._loss.first_tap}" if self._loss.first_tap else word

    def _not_holding(self, t_s: float, idle: bool, margin_n: float | None, required_n: float | None) -> bool:
        if margin_n is None or not required_n or idle:
            self._held_since_s, self._armed = None, self._armed and not idle
            return False
        if margin_n >= 0:
            self._held_since_s = t_s if self._held_since_s is None else self._held_since_s
            self._armed = self._armed or t_s - self._held_since_s >= _ARM_S
            return False
        self._held_since_s = None
        return self._armed
