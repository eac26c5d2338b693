"""The guided calibration: what is asked at the terminal, and what the answers do."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass
from statistics import median

from undertray.calibrate.session import MOST_MM, Session, Step, TakenPoint
from undertray.calibrate.settling import Reading, SteadyLimits, SteadyMean, measure
from undertray.errors import CalibrationError, UndertrayError
from undertray.units import quantity

__all__ = ["HELP", "Dialogue", "Plausible"]


# Does a reading go with the height that was given for it? Asked while the column still stands there.

# A part as it comes has a total error band of up to 2 % of span, most of it in the zero, which the first
# point takes out. What is left: a slope that is off by up to 4 % (2 % of span at half the span, where such a
# part has its highest pressure), bending and creep of up to 0.5 % of span (a quarter of the band; data
# sheets, from memory), and 2 mm of reading: four times what an eye makes of a meniscus.
_SLOPE = 0.05
_CREEP = 0.25
_READING_MM = 2.0


@dataclass(frozen=True, slots=True)
class _Doubt:
    """A sensor that does not go with a height: how far it moved since a height, or stands from its zero."""

    name: str
    pa: float
    due_pa: float
    usual_pa: float
    height_mm: float
    since_mm: float | None  # None: it stands so far from its zero
    by_scale: bool = False  # as its own scale says, with no zero taken yet

    @property
    def kind(self) -> str:
        if self.since_mm is None:
            return "stands"
        return "turned" if self.pa * self.due_pa < -0.5 * self.due_pa**2 else "moved"


def _told(doubts: Sequence[_Doubt], kind: str) -> str:
    """One sentence for all the sensors that share a doubt."""
    first, many = doubts[0], len(doubts) > 1
    *names, last = (doubt.name for doubt in doubts)
    who = f"{', '.join(names)} and {last}" if names else last
    values = sorted((doubt.pa for doubt in doubts), key=abs)
    by = f"{values[0]:+.1f} Pa" if not many else f"{values[0]:+.1f} to {values[-1]:+.1f} Pa"
    if kind == "turned":
        way = "rises" if first.due_pa > 0 else "sinks"
        return (
            f"{who} {'go' if many else 'goes'} by {by} as the column {way} by {abs(first.due_pa):.1f} Pa:"
            f" {'their' if many else 'its'} ports are swapped, or the column went the other way"
        )
    if kind == "moved":
        return (
            f"{who} moved by {by} of the {first.due_pa:+.1f} Pa that {first.since_mm:g} to"
            f" {first.height_mm:g} mm make"
        )
    zero = "their readings" if many else "its reading"
    own = "their own scales" if many else "its own scale"
    since = f"by {own}" if first.by_scale else f"from {zero} with both ports open"
    usual_pa = max(doubt.usual_pa for doubt in doubts)
    return (
        f"{who} {'stand' if many else 'stands'} at {by} {since}, and the column at {first.due_pa:.1f} Pa:"
        f" more than the usual {usual_pa:.0f} Pa apart"
    )


@dataclass(frozen=True, slots=True)
class Plausible:
    """What a point may read."""

    names: tuple[str, ...]
    pa_per_mm: float
    accuracy_pa: tuple[float, ...]

    def doubts(
        self, taken: Sequence[TakenPoint], height_mm: float, nominal_pa: Sequence[float]
    ) -> tuple[str, ...]:
        """Compare a reading with the column, with the zero, and with the last point: a text a sensor."""
        found = self._found(taken, height_mm, nominal_pa)
        return tuple("" if doubt is None else _told([doubt], doubt.kind) for doubt in found)

    def sentences(
        self, taken: Sequence[TakenPoint], height_mm: float, nominal_pa: Sequence[float]
    ) -> list[str]:
        """The same doubts, one sentence for all the sensors that one fault concerns."""
        doubts = [doubt for doubt in self._found(taken, height_mm, nominal_pa) if doubt is not None]
        moved = [doubt for doubt in doubts if doubt.since_mm is not None]
        # sensors that moved alike have one fault, on whichever side of a limit each of them is
        alike = moved and max(d.pa for d in moved) - min(d.pa for d in moved) <= moved[0].usual_pa
        shared = max(moved, key=lambda doubt: abs(doubt.pa)).kind if alike else ""
        groups: dict[str, list[_Doubt]] = {}
        for doubt in doubts:
            kind = shared if shared and doubt.since_mm is not None else doubt.kind
            groups.setdefault(kind, []).append(doubt)
        everyone = 1 < len(doubts) == len(self.names) and len(groups) == 1
        whose = "; all sensors say so: look at the column and the height first" if everyone else ""
        return [f"{_told(group, kind)}{whose}." for kind, group in groups.items()]

    def fitting_mm(self, taken: Sequence[TakenPoint], nominal_pa: Sequence[float]) -> float:
        """The height that the readings fit, mm: from their zeros, the sensor in the middle of all."""
        zero = next((point for point in taken if point.reason is None and point.height_mm == 0), None)
        start_pa = zero.nominal_pa if zero is not None else (0.0,) * len(self.names)
        return median(pa - at for pa, at in zip(nominal_pa, start_pa, strict=True)) / self.pa_per_mm

    def _found(
        self, taken: Sequence[TakenPoint], height_mm: float, nominal_pa: Sequence[float]
    ) -> list[_Doubt | None]:
        counting = [point for point in taken if point.reason is None]
        zero = next((point for point in counting if point.height_mm == 0), None)
        last = counting[-1] if counting else None
        return [
            self._moved(i, last, height_mm, nominal_pa[i]) or self._stands(i, zero, height_mm, nominal_pa[i])
            for i in range(len(self.names))
        ]

    def _usual_pa(self, i: int, pressure_pa: float) -> float:
        """How far a sound reading may be from a pressure, once its zero is known, Pa."""
        return _SLOPE * abs(pressure_pa) + _CREEP * self.accuracy_pa[i] + _READING_MM * self.pa_per_mm

    def _moved(self, i: int, last: TakenPoint | None, height_mm: float, reading_pa: float) -> _Doubt | None:
        if last is None:
            return None
        due_pa = (height_mm - last.height_mm) * self.pa_per_mm
        moved_pa, usual_pa = reading_pa - last.nominal_pa[i], self._usual_pa(i, due_pa)
        if abs(moved_pa - due_pa) <= usual_pa:
            return None
        return _Doubt(self.names[i], moved_pa, due_pa, usual_pa, height_mm, last.height_mm)

    def _stands(self, i: int, zero: TakenPoint | None, height_mm: float, reading_pa: float) -> _Doubt | None:
        due_pa = height_mm * self.pa_per_mm
        usual_pa = self._usual_pa(i, due_pa) + (self.accuracy_pa[i] if zero is None else 0.0)
        stands_pa = reading_pa - (0.0 if zero is None else zero.nominal_pa[i])
        if abs(stands_pa - due_pa) <= usual_pa:
            return None
        return _Doubt(self.names[i], stands_pa, due_pa, usual_pa, height_mm, None, by_scale=zero is None)


HELP = (
    "At every question: Enter goes on; list shows the points so far; drop N takes point N back and does it"
    " again; skip leaves this step out; stop ends for today; finish ends with the points there are."
)
"""The words that every question takes."""

_SHOW_S = 0.2
_WORDS = ("drop", "skip", "stop", "finish")
_LOOKS = ("list", "help")

_AGAIN = "again"
_DOUBT_QUESTION = (
    "Is the column set, and the height right? again (Enter) measures once more; the height, if it is another;"
    " keep, if all is so > "
)
_OPEN_QUESTION = (
    "0 mm is the zero: are both ports of every sensor open to the room? yes; or the height of the column;"
    " Enter measures once more > "
)


class Dialogue:
    """Leads a person through a session."""

    def __init__(
        self,
        session: Session,
        fresh: Callable[[], Iterator[Reading]],
        ask: Callable[[str], str],
        tell: Callable[[str], None],
        plausible: Plausible,
        limits: SteadyLimits | None = None,
        show: Callable[[str], None] | None = None,
        pressure: tuple[str, float] = ("Pa", 1.0),
    ) -> None:
        self._session = session
        self._pressure, self._pressure_pa = pressure
        self._fresh = fresh
        self._ask = ask
        self._tell = tell
        self._plausible = plausible
        self._limits = limits or SteadyLimits()
        self._show = show
        self._shown_s = -math.inf

    def run(self) -> bool:
        """Ask for step after step."""
        self._tell(HELP)
        while (due := self._session.proposal) is not None:
            number, step = due
            steps = self._session.steps
            self._tell(f"Step {number + 1} of {len(steps)}: {_instruction(step, steps[number])}")
            try:
                answer = self._ask("Enter when it is set > ").strip()
                verdict = self._word(answer, number) if answer else self._take(number, step)
            except (EOFError, KeyboardInterrupt):
                self._tell("")
                verdict = "stop"
            if verdict == "stop":
                self._tell(
                    f"Stopped. All points are in {self._session.journal.path}; go on with the same command."
                )
                return False
            if verdict == "finish":
                return True
        return True

    def _word(self, answer: str, number: int) -> str:
        """Do what a word asks for; ``stop`` and ``finish`` are handed back."""
        word, _, rest = answer.partition(" ")
        word = word.lower()
        if word in ("stop", "finish"):
            return word
        try:
            if word == "list":
                self._list()
            elif word == "skip":
                self._session.skip(number, rest or self._ask("Why is it left out? > "))
            elif word == "drop":
                self._drop(rest)
            else:
                self._tell(HELP)
        except CalibrationError as error:
            self._tell(str(error))
        return ""

    def _list(self) -> None:
        for k, point in enumerate(self._session.taken, 1):
            self._tell(f"{k}: {self._described(point)}")
        if not self._session.taken:
            self._tell("no points yet")

    def _drop(self, which: str) -> None:
        place = int(which) - 1 if which.isdecimal() and len(which) < 6 else -1
        if not 0 <= place < len(self._session.taken):
            raise CalibrationError(
                "no such point",
                seen=which,
                expected=f"drop and a number from 1 to {len(self._session.taken)}",
            )
        reason = self._ask("Why is it taken back? > ")
        again = not self._ask("Do it again? (Enter for yes, no) > ").strip().lower().startswith("n")
        self._session.drop(place, reason, again)
        self._tell(f"point {place + 1} is taken back" + (" and will be asked for again" if again else ""))

    def _take(self, number: int, step: Step) -> str:
        while (mean := self._steady()) is not None:
            self._tell(self._measured(mean))
            if not all(math.isfinite(value) for value in mean.nominal_pa):
                self._tell(f"{mean.complaint}: no point taken")
                return ""
            verdict = self._asked(number, step, mean)
            if verdict != _AGAIN:
                return verdict
        return "stop"

    def _asked(self, number: int, step: Step, mean: SteadyMean) -> str:
        """Take the reading at the height answered; a slip of the keys costs a question, and no reading."""
        question = "" if step.height_mm == 0 else _height_question(step)
        height_mm, keep = step.height_mm, False
        ahead, stood_mm = self._session.ahead, self._session.stands_mm
        doubts: tuple[str, ...] = ()
        while True:
            answer = self._ask(question).strip() if question else ""
            word = answer.split(" ")[0].lower()
            if word in _WORDS:
                return self._word(answer, number)
            if word == _AGAIN or (not word and question in (_DOUBT_QUESTION, _OPEN_QUESTION)):
                return _AGAIN
            keep = word == "keep" and any(doubts)
            opened = word == "yes" and question == _OPEN_QUESTION
            try:
                if word in _LOOKS:
                    self._word(answer, number)
                    continue
                if not keep:
                    height_mm = 0.0 if opened else _height(answer, step)
                if height_mm == 0 and step.height_mm and not (opened or keep):
                    question = _OPEN_QUESTION
                    continue
                reading = self._session.taken, height_mm, mean.nominal_pa.tolist()
                doubts = self._plausible.doubts(*reading)
                if keep or not any(doubts):
                    self._session.take(height_mm, mean, doubts if keep else ())
                    break
            except UndertrayError as error:
                self._tell(f"{error}. The reading is kept: only the height is asked again.")
                question = question or _height_question(step)
                continue
            for line in (*self._plausible.sentences(*reading), self._fit(mean)):
                self._tell(line)
            question = _DOUBT_QUESTION
        self._tell(f"point {len(self._session.taken)}: {self._described(self._session.taken[-1])}")
        if height_mm and not keep:
            self._tell(self._fit(mean))
        self._departed(step, ahead, stood_mm)
        return ""

    def _departed(self, planned: Step, ahead: tuple[int, ...], stood_mm: float | None) -> None:
        """Say where the point that was just taken is not the one of the plan, and what that passes over."""
        session, point = self._session, self._session.taken[-1]
        came = Step(session.nearest_mm(point.height_mm), point.upward)
        if came.height_mm == planned.height_mm and (came.upward == planned.upward or not came.height_mm):
            return
        over = set(ahead).difference(session.ahead) - {point.step}
        passed = ", ".join(_place(session.steps[k]) for k in sorted(over))
        here = f"this is {_place(Step(point.height_mm, point.upward))}"
        if point.height_mm == stood_mm:
            here = f"the column still stands at {stood_mm:g} mm"
        self._tell(
            f"The plan had {_place(planned)}; {here}, and it goes on from there."
            + (f" Passed over: {passed}." if passed else "")
        )

    def _fit(self, mean: SteadyMean) -> str:
        """Said once the height is known: whoever reads the column is not to be led."""
        fit_mm = self._plausible.fitting_mm(self._session.taken, mean.nominal_pa.tolist())
        return f"The readings fit about {fit_mm:z.0f} mm."

    def _watched(self, reading: Reading, last: SteadyMean | None) -> None:
        """Show what the sensors read while they settle, a few times a second."""
        if self._show is None or 0 <= reading.t_s - self._shown_s < _SHOW_S:
            return
        self._shown_s = reading.t_s
        each = "  ".join(self._each(reading.nominal_pa, 1))
        self._show(f"{each} {self._pressure}" + (f"   {last.complaint}" if last is not None else ""))

    def _steady(self) -> SteadyMean | None:
        """Wait for a steady window; None when the person would rather stop."""
        while True:
            self._tell(f"waiting until all sensors are steady for {self._limits.window_s:g} s ...")
            mean = measure(self._fresh(), tuple(self._session.parts), self._limits, self._watched)
            if self._show is not None:
                self._show("")
            if mean.steady:
                return mean
            self._tell(f"not steady in {self._limits.timeout_s:g} s: {mean.complaint}")
            answer = self._ask("take it all the same (yes), wait on (Enter), or stop > ").strip().lower()
            if answer in ("yes", "y"):
                return mean
            if answer == "stop":
                return None

    def _measured(self, mean: SteadyMean) -> str:
        each = f"{', '.join(self._each(mean.nominal_pa, 2))} {self._pressure}"
        known = f"spread {max(mean.spread_pa):.1f} Pa and means to {max(mean.mean_sd_pa):.2f} Pa at most"
        return f"{'steady' if mean.steady else 'not steady'}, {mean.rows} rows, {known}: {each}"

    def _described(self, point: TakenPoint) -> str:
        readings = f"{', '.join(self._each(point.nominal_pa, 2))} {self._pressure}"
        unsteady = "" if point.steady else ", not steady"
        doubted = ", kept despite a doubt" if point.doubts else ""
        dropped = "" if point.reason is None else f", taken back: {point.reason}"
        return f"{point.height_mm:g} mm, {_way(point.upward)}: {readings}{unsteady}{doubted}{dropped}"

    def _each(self, nominal_pa: Iterable[float], places: int) -> list[str]:
        """What each sensor says, in the unit of the person."""
        if self._pressure_pa > 1:
            places += round(math.log10(self._pressure_pa))
        read = zip(self._session.parts, nominal_pa, strict=True)
        return [f"{name} {pa / self._pressure_pa:z.{places}f}" for name, pa in read]


def _way(upward: bool) -> str:
    return "rising" if upward else "falling"


def _place(step: Step) -> str:
    return f"{step.height_mm:g} mm {_way(step.upward)}" if step.height_mm else "0 mm, both ports open"


def _instruction(step: Step, served: Step) -> str:
    first = ""
    if step.height_mm != served.height_mm:
        first = f" (a point of its own, so that {_place(served)} is reached that way again)"
    if step.height_mm == 0:
        return f"open both ports of every sensor to the room, the column at rest{first}"
    way = "up to" if step.upward else "down to"
    return f"bring the column {way} about {step.height_mm:g} mm, without going past it; tap the tube{first}"


def _height_question(step: Step) -> str:
    return f"column reading (Enter: {step.height_mm:g} mm; 40.5; 4 cm; both menisci: 70.5 30; or again) > "


def _height(answer: str, step: Step) -> float:
    """A reading of the column, mm: one number, a number and its unit, or two menisci."""
    if not answer:
        return step.height_mm
    fields = answer.split()
    if len(fields) > 2:
        raise CalibrationError("more than two numbers", seen=answer, expected="one height, or two menisci")
    try:
        values = [float(field) for field in fields]
    except ValueError:
        values = [quantity(answer, "mm", "column reading")]
    height_mm = abs(quantity(values[0] - sum(values[1:]), "mm", "column reading"))
    if height_mm > MOST_MM:
        raise CalibrationError("no column is as high", seen=answer, expected=f"up to {MOST_MM:g} mm")
    return height_mm
