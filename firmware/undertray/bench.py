"""Bench sweep: the board itself drives the fan controllers, for mapping suction against throttle.

Off by default and in every doubt: the pin must be an output in board.json, ``arm`` comes first, the
host has to keep talking, a width above ``throttle_max_us`` is refused, and from the first ``arm``
on a watchdog resets the board, which ends the pulses, when the loop stands still. The watchdog cannot
be stopped again: leaving the program then resets the board.

``arm``, ``sweep`` and ``beat`` carry the check that rows carry, and a number that the board gave out a
moment ago and takes once: ``caution`` gives the one for ``arm``, ``arm`` that for ``sweep``, ``sweep``
that for all its beats. So neither a flipped bit nor a line from another time moves a fan. ``stop``
needs nothing of the kind.
"""

import time

import machine
from machine import PWM, Pin
from micropython import const

__all__ = ["CAUTION", "Bench"]

CAUTION = (
    "Fans will spin. Before arming: car clamped down the right way up, guards on, hair, sleeves and loose"
    " parts away, eye and ear protection on, nobody in the plane of the fans, lithium pack watched and a way"
    " to disconnect it at hand. Local rules and the makers' instructions come first."
)
_READ_US = const(120_000_000)  # to read the caution and type the word
_ARMED_US = const(10_000_000)
_SILENCE_US = const(1_000_000)
_COAST_US = const(500_000)
_WATCHDOG_MS = const(1000)
_STEPS = const(200)
_DWELL_MS = (50, 20000)
_OFF = const(0)
_ARMED = const(1)
_SWEEPING = const(2)
_COASTING = const(3)


class Bench:
    """The board's own throttle. ``width_us`` is what it sends now, 0 for none."""

    def __init__(self, section, console, seed):
        self.width_us = 0
        self.watchdog = None
        self.awake = False  # somebody asked to drive the fans: from then on ``tick`` has to come
        self._section = section
        self._console = console
        self._seed = seed & 0xFFFF
        self._number = 0  # taken next, 0 for none
        self._heard = time.ticks_us()
        self._state = _OFF
        self._since = time.ticks_us()
        self._pwm = None
        self._plan = (0, 0, 1, 0)
        self._step = 0

    def refusal(self):
        """Why this board may not drive the fans, or None."""
        if self._section is None:
            return "board.json has no 'throttle'"
        if self._section["direction"] != "output":
            return "board.json says the throttle pin is an input: the receiver is on it"
        return None

    def caution(self, _words):
        """What to heed, and the number that arms; nothing moves."""
        why = self.refusal()
        if why:
            raise ValueError(why)
        if self._state != _OFF:
            raise ValueError("the bench is armed: 'stop' first")
        self._since = time.ticks_us()
        limits = {key: self._section[key] for key in ("idle_us", "throttle_max_us")}
        limits.update({"caution": CAUTION, "number": self._give()})
        return limits

    def arm(self, words):
        """Idle pulses from now on: NUMBER."""
        why = self.refusal()
        if why:
            raise ValueError(why)
        if self._state != _OFF:
            raise ValueError("the bench is armed already")
        self._take(words)
        if self.watchdog is None:
            self.watchdog = machine.WDT(timeout=_WATCHDOG_MS)
        self._send(self._section["idle_us"])
        self._enter(_ARMED)
        return {
            "armed_s": _ARMED_US // 1000000,
            "idle_us": self._section["idle_us"],
            "number": self._give(),
        }

    def _give(self):
        # Multiplier and step of a generator that goes through all 65,536 numbers: none comes again soon.
        self._seed = (self._seed * 75 + 74) % 65537
        self._number = self._seed + 1
        self.awake = True
        return self._number

    def _take(self, words):
        """Take the number that was given out, once, from the end of a command's words."""
        number = self._number
        self._number = 0
        if not number or not words or words.pop() != str(number):
            raise ValueError("not the number that the board gave out last: begin with 'caution'")

    def beat(self, words):
        """Says that the host is there: while a sweep runs, at least once a second."""
        if self._state != _SWEEPING or words != [str(self._number)]:
            raise ValueError("not the number of a sweep under way")
        self._heard = time.ticks_us()

    def sweep(self, words):
        """Start: FROM and TO in us, STEPS, DWELL in ms, NUMBER."""
        if self._state != _ARMED:
            raise ValueError("not armed: send 'arm', then 'sweep' within 10 s")
        self._take(words)
        if len(words) != 4 or not all([word.isdigit() and len(word) < 7 for word in words]):
            raise ValueError("sweep FROM TO STEPS DWELL NUMBER: us, us, count, ms, the number of arm's reply")
        first, last, steps, dwell_ms = [int(word) for word in words]
        low, high = self._section["idle_us"], self._section["throttle_max_us"]
        for width in (first, last):
            if not low <= width <= high:
                raise ValueError("{} us is outside {} to {} us (throttle_max_us)".format(width, low, high))
        if not 2 <= steps <= _STEPS or not _DWELL_MS[0] <= dwell_ms <= _DWELL_MS[1]:
            raise ValueError("STEPS 2 to {}, DWELL {} to {} ms".format(_STEPS, _DWELL_MS[0], _DWELL_MS[1]))
        self._plan = (first, last, steps, dwell_ms * 1000)
        self._step = 0
        self._send(first)
        self._enter(_SWEEPING)
        self._heard = self._since
        return {"steps": steps, "seconds": steps * dwell_ms // 1000, "number": self._give()}

    def stop(self):
        """Back to idle at once, no pulses half a second later."""
        self._number = 0
        if self._state in (_ARMED, _SWEEPING):
            self._send(self._section["idle_us"])
            self._enter(_COASTING)

    def off(self):
        """No pulses from now on."""
        self._state = _OFF
        self._number = 0
        self.width_us = 0
        if self._pwm is not None:
            self._pwm.duty_ns(0)
            self._pwm.deinit()
            self._pwm = None
            Pin(self._section["pin"], Pin.OUT, value=0)

    def tick(self, now):
        """Feed the watchdog, go on in the plan, stop where something is missing; every loop once awake."""
        if self.watchdog is not None:
            self.watchdog.feed()
        if self._state == _OFF:
            if self._number and time.ticks_diff(now, self._since) > _READ_US:
                self._number = 0
            return
        spent = time.ticks_diff(now, self._since)
        if self._state == _COASTING:
            if spent >= _COAST_US:
                self.off()
        elif self._state == _ARMED:
            if spent >= _ARMED_US:
                self._end(False, "armed for 10 s and no sweep came")
        elif time.ticks_diff(now, self._heard) > _SILENCE_US:
            self._end(False, "no word from the host for 1 s")
        elif spent >= self._plan[3]:
            self._next(now)

    def _next(self, now):
        first, last, steps, _dwell_us = self._plan
        self._step += 1
        if self._step >= steps:
            self._end(True, "done")
            return
        self._since = now
        self._send(first + (last - first) * self._step // (steps - 1))

    def _end(self, good, why):
        self.stop()
        self._console.reply({"to": "sweep", "ok": good, "why": why})

    def _enter(self, state):
        self._state = state
        self._since = time.ticks_us()

    def _send(self, width_us):
        """The one place where a width goes to the pin; the limit is checked here once more."""
        if width_us > self._section["throttle_max_us"]:
            self.off()
            raise ValueError("{} us is above throttle_max_us".format(width_us))
        if self._pwm is None:
            self._pwm = PWM(
                Pin(self._section["pin"]), freq=self._section["frame_hz"], duty_ns=width_us * 1000
            )
        else:
            self._pwm.duty_ns(width_us * 1000)
        self.width_us = width_us
