"""Pulls of a balance asked for one by one, and kept in the file that :func:`read_pulls` reads."""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path

from undertray.errors import ReductionError, UndertrayError, quoted
from undertray.files import is_present, write_whole
from undertray.reduce.pulls import KINDS, MOST_PULLS, Pull, pull_force_n, read_pulls
from undertray.reduce.steady import REST_US

__all__ = ["CAUTION", "HELP", "PullDialogue"]

CAUTION = (
    "Caution. The fans spin while you pull. Eye protection on; a line as long as you are tall, level, at the"
    " height of the axles; hands, hair and sleeves off the fans; a slack strap at the rear; stand beside the"
    " line. The drive motor stays without its plug, and a second person holds the throttle."
)
HELP = (
    "At every question: a reading (3.4, or with its unit: 0.8 lb); skip leaves it out; back takes the last"
    " reading back; stop ends for today, and the same command goes on."
)
_HEAD = "throttle_us,kind,wheels,pull_n,load_n"
_TIMES = 2
_WHAT = {"breakaway": "the largest reading as it just moves", "moving": "the reading while it keeps moving"}
_HOW = {
    "free": "Wheels free.",
    "locked": "Lock all wheels with a strip of tape; the motor's gear does not count.",
}
_ALONE = (
    "Last, the skirt alone: a piece of it on a board with weights, fans and car away. What do board and"
    " weights weigh? (6 N, 600 g; Enter: done) > "
)


@dataclass(frozen=True, slots=True)
class _Step:
    wheels: str
    throttle_us: float
    kind: str


class PullDialogue:
    """Leads a person through the pulls that drag, friction and the skirt's share take.

    Parameters
    ----------
    path : Path
        The file of pulls; what it holds already is not asked for again.
    throttles_us : sequence of float
        To pull at, one at rest among them, µs.
    ask, tell : callable
        How to ask the person, and tell something; ``ask`` raises EOFError at the end of the input.

    Raises
    ------
    ReductionError
        When the file is there and is none that this wrote.
    """

    def __init__(
        self,
        path: Path,
        throttles_us: Sequence[float],
        ask: Callable[[str], str],
        tell: Callable[[str], None],
    ) -> None:
        self._path, self._ask, self._tell = path, ask, tell
        self._steps = tuple(
            _Step(wheels, us, kind)
            for wheels in _HOW
            for us in sorted(throttles_us)
            for kind in KINDS[1:]
            for _ in range(_TIMES)
        )
        self._pulls = list(_kept(path))
        self._unit = ""

    def run(self) -> bool:
        """Ask for pull after pull; False where the person stops before the last."""
        self._tell(CAUTION)
        self._tell(HELP)
        if self._pulls:
            self._tell(f"going on with {self._path.name}: {len(self._pulls)} pulls so far")
        try:
            self._unit = self._asked_unit()
            done = self._drag() and self._alone()
        except (EOFError, KeyboardInterrupt):
            self._tell("")
            done = False
        if not done:
            kept = f"{len(self._pulls)} pulls are in {self._path}" if self._pulls else "No pull was noted"
            self._tell(f"Stopped. {kept}; go on with the same command.")
        return done

    def _asked_unit(self) -> str:
        while True:
            unit = self._ask("Unit of the balance (N, kg, g, lbf, lb; Enter: N) > ").strip() or "N"
            try:
                pull_force_n(f"1 {unit}", "unit")
            except UndertrayError as error:
                self._tell(str(error))
            else:
                return unit

    def _drag(self) -> bool:
        passed, at = 0, None
        while True:
            due = self._due(passed)
            if due is None:
                return True
            place, step = due
            if at != (step.wheels, step.throttle_us):
                at = step.wheels, step.throttle_us
                self._tell(f"{_HOW[step.wheels]} {_fans(step.throttle_us)}")
            question = f"{place} of {len(self._steps)}, {step.kind}: {_WHAT[step.kind]} > "
            answer = self._reading(question)
            if answer is None:
                return False
            if isinstance(answer, str):
                passed += answer == "skip"
                at = None if answer == "back" else at
                continue
            self._keep(Pull(None, step.throttle_us, answer, step.kind, step.wheels))

    def _due(self, passed: int) -> tuple[int, _Step] | None:
        """The next pull that is not in the file, and its place; those left out are passed over."""
        have = Counter(_Step(p.wheels, p.throttle_us or 0.0, p.kind) for p in self._pulls)
        for place, step in enumerate(self._steps, 1):
            if have[step]:
                have[step] -= 1
            elif passed:
                passed -= 1
            else:
                return place, step
        return None

    def _alone(self) -> bool:
        while True:
            load_n = self._reading(_ALONE, enter=True)
            if load_n == "done":
                return True
            if load_n is None:
                return False
            if isinstance(load_n, str):
                continue
            pull_n = self._reading(f"the reading while it slides with {load_n:.3g} N on it > ")
            if pull_n is None:
                return False
            if not isinstance(pull_n, str):
                self._keep(Pull(None, None, pull_n, "moving", "none", load_n))

    def _reading(self, question: str, enter: bool = False) -> float | str | None:
        """A force, N; None for stop; a word that was done, or ``done`` for Enter where that may be."""
        while True:
            answer = self._ask(question).strip()
            word = answer.lower()
            if word == "stop":
                return None
            if word == "skip" or (enter and not word):
                return "done" if enter else word
            if word == "back":
                self._back()
                return word
            try:
                return pull_force_n(answer if answer[-1:].isalpha() else f"{answer} {self._unit}", "reading")
            except UndertrayError as error:
                self._tell(str(error) if answer else HELP)

    def _keep(self, pull: Pull) -> None:
        if len(self._pulls) >= MOST_PULLS:
            raise ReductionError(
                "too many pulls in one file", where=self._path.name, expected=f"up to {MOST_PULLS}"
            )
        self._pulls.append(pull)
        self._write()

    def _back(self) -> None:
        if not self._pulls:
            self._tell("no pull noted yet")
            return
        last = self._pulls.pop()
        self._write()
        self._tell(f"taken back: {last.pull_n:.4g} N, {last.kind}, wheels {last.wheels}")

    def _write(self) -> None:
        write_whole(self._path, "".join(f"{line}\n" for line in (_HEAD, *map(_line, self._pulls))).encode())


def _kept(path: Path) -> Iterator[Pull]:
    if not is_present(path):
        return
    with path.open("rb") as file:
        lines = file.read(len(_HEAD) + 2).decode("utf-8", "replace").splitlines()
    if not lines or lines[0] != _HEAD:
        raise ReductionError(
            "this file of pulls was not led",
            where=path.name,
            seen=quoted(lines[0]) if lines else "nothing",
            expected=f"the header {_HEAD}",
            do="name a new file with --pulls, or give that one without --led",
        )
    if path.stat().st_size > len(_HEAD) + 2:
        yield from read_pulls(path)


def _line(pull: Pull) -> str:
    at, load = ("" if value is None else f"{value:.6g}" for value in (pull.throttle_us, pull.load_n))
    return f"{at},{pull.kind},{pull.wheels},{pull.pull_n:.6g},{load}"


def _fans(throttle_us: float) -> str:
    if throttle_us <= REST_US:
        return "Fans off."
    return f"Fans at {throttle_us:g} µs, as the log has it: let them stand for three seconds, then pull."
