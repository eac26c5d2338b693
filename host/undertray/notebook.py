"""The door for a notebook: runs, reductions and comparisons as tables and pictures.

It stands at the end of the flow, as the commands do: it uses every part, and no part uses it.
"""

from __future__ import annotations

import dataclasses
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

from undertray.acquire.runlog import Run as RunLog
from undertray.acquire.runlog import read_run as read_log
from undertray.calibrate.calibration import Calibration
from undertray.errors import escaped
from undertray.reduce.car import Car
from undertray.reduce.run import reduce_run as reduced
from undertray.reduce.runcar import RunCar, run_car
from undertray.reduce.summary import Reduction as Summary
from undertray.report.comparedrun import once_each, take
from undertray.report.comparison import Comparison as Compared
from undertray.report.comparison import Estimate, Group
from undertray.report.comparison import compare as compared

if TYPE_CHECKING:
    import pandas as pd
    from matplotlib.figure import Figure

    from undertray.reduce.fan import FanReference

__all__ = ["Comparison", "Reduction", "Run", "compare", "read_run", "reduce_run"]

_NAME = 60


@dataclass(frozen=True, slots=True, eq=False, repr=False)
class Run(RunLog):
    """A run log in memory, with the car and the calibration to reduce it with.

    Attributes
    ----------
    given_car : Car or None
        The car that was given; without one the car that the log keeps is used.
    calibration : Calibration or None
        The board's calibration; without one the sensors' own scales are used, and every result says so.

    Notes
    -----
    ``run.reduce()`` judges it, ``run.frame()`` gives a table with a row a sample, ``run.plot()`` a picture,
    and ``print(run)`` says what it comes to. Everything else is as the log has it:
    :class:`undertray.acquire.runlog.Run`.
    """

    given_car: Car | None = None
    calibration: Calibration | None = None

    def __repr__(self) -> str:
        from undertray.acquire.clock import board_time

        t_s, skirt = board_time(self).t_s, self.facts.get("skirt")
        length = f"{t_s[-1]:.1f} s, " if len(t_s) else ""
        said = f"{length}{len(t_s)} rows, {' '.join(self.columns)}{f', {skirt}' if skirt else ''}"
        logged = None if self.car is None else self.car.get("name")
        car = logged if self.given_car is None else self.given_car.name
        with_it = f"car {_shown(str(car))}" if car else "no car"
        state = "no calibration" if self.calibration is None else "calibrated"
        return f"<Run {_shown(self.name)}: {_shown(said, 2 * _NAME)}; {with_it}, {state}>"

    def __str__(self) -> str:
        """What it holds, and with a car what it comes to."""
        return str(self.reduce()) if self.given_car is not None or self.car is not None else repr(self)

    def plot(self, units: str = "si") -> Figure:
        """Reduce the run and draw it.

        Parameters
        ----------
        units : str
            ``si`` or ``us``.

        Returns
        -------
        matplotlib.figure.Figure
            As :meth:`Reduction.plot`.

        Raises
        ------
        ReductionError
            As :func:`undertray.reduce_run`, or when there are no such units.
        """
        return self.reduce().plot(units)

    def reduce(self, tare: str = "none", reference: FanReference | None = None) -> Reduction:
        """Reduce the run with its car and its calibration.

        Parameters
        ----------
        tare : str
            What zero to take off: ``none``, ``zero`` or ``linear``.
        reference : FanReference or None
            The car on its good seal, for the seal index.

        Returns
        -------
        Reduction

        Raises
        ------
        ReductionError
            As :func:`undertray.reduce_run`.
        """
        return reduce_run(self, tare=tare, reference=reference)

    def frame(self, tare: str = "none") -> pd.DataFrame:
        """The run as a table, one row a sample.

        Parameters
        ----------
        tare : str
            What zero to take off: ``none``, ``zero`` or ``linear``.

        Returns
        -------
        pandas.DataFrame
            As :meth:`Reduction.frame`. Where neither the log nor you name a car: ``t_s``, ``throttle_us``
            and each pressure column (``p1_pa``), without loads.

        Raises
        ------
        ReductionError
            As :func:`undertray.reduce_run`.
        """
        if self.given_car is not None or self.car is not None:
            return self.reduce(tare).frame()
        from undertray.acquire.clock import board_time
        from undertray.report.pressuretable import ColumnSuction

        t_s, rows = board_time(self).t_s, ColumnSuction(self, self.calibration).rows(0, len(self.seq))
        return _timed(t_s, {"throttle_us": self.throttle_us, **rows})


class Reduction(Summary):
    """A reduced run, with its table and its picture.

    Notes
    -----
    ``print(reduction)`` says how the run went, ``reduction.events`` lists what happened, ``reduction.steady``
    is what it gave while nothing did, ``reduction.frame()`` is a table with a row a sample,
    ``reduction.plot()`` a picture, and ``reduction.as_dict()`` all numbers. They are as in
    :class:`undertray.reduce.summary.Reduction`.
    """

    __slots__ = ()

    def __repr__(self) -> str:
        from undertray.report.verdict import judge

        found = judge(self)
        least = ""
        if found.least_margin_n is not None:
            least = f", least margin {found.least_margin_n:+.1f} N ({found.axle}, {found.at_s:.2f} s)"
        state = "calibrated" if self.calibrated else "UNCALIBRATED"
        notices = f", {len(self.notices)} notices" if self.notices else ""
        said = f"{found.word}{least}, {self.duration_s:.1f} s, {len(self.events)} events, {state}{notices}"
        return f"<Reduction {_shown(self.run)}: {said}>"

    def __str__(self) -> str:
        from undertray.report.words import run_words

        return "\n".join(run_words(self))

    def frame(self) -> pd.DataFrame:
        """The run over time, one row a sample.

        Returns
        -------
        pandas.DataFrame
            Index ``time``, the board's own, from the first good row on. Columns: ``t_s``; ``throttle_us``;
            ``pack_mv``, as last reported; ``<tap>_pa`` for each tap; ``mean_suction_pa`` over the floor;
            ``downforce_n``, ``front_n``, ``rear_n``; ``front_margin_n`` and ``rear_margin_n``, load less what
            the axle needs; ``alarm`` of the board. NaN where it is not known.
        """
        from undertray.report.pressuretable import load_columns

        series = self.series
        taps = {f"{name}_pa": series.tap_suction_pa[:, place] for place, name in enumerate(self.taps)}
        loads = load_columns(self, 0, len(series.t_s))
        pack = {"pack_mv": loads.pop("pack_mv")}
        columns = {"throttle_us": series.throttle_us, **pack, **taps, **loads, "alarm": series.alarm}
        return _timed(series.t_s, columns)

    def plot(self, units: str = "si") -> Figure:
        """Draw suction, downforce, margins and throttle over time.

        Parameters
        ----------
        units : str
            ``si`` or ``us``.

        Returns
        -------
        matplotlib.figure.Figure
            It belongs to no window and needs no pyplot.

        Raises
        ------
        ReductionError
            When there are no such units.
        """
        from undertray.report.display import display
        from undertray.report.timeline import draw_timeline

        state = "calibrated" if self.calibrated else "UNCALIBRATED"
        return draw_timeline(self, display(units), f"{_shown(self.run)} ({state})")


class Comparison(Compared):
    """Runs compared by a fact, with their table and their picture.

    Notes
    -----
    All numbers are as in :class:`undertray.report.comparison.Comparison`.
    """

    __slots__ = ()

    def __repr__(self) -> str:
        groups = ", ".join(f"{_shown(g.value, 40)} ({len(g.runs)} runs)" for g in self.groups)
        return f"<Comparison by {_shown(self.by)}: {groups}>"

    def __str__(self) -> str:
        from undertray.report.comparewords import comparison_words

        return "\n".join(comparison_words(self))

    def frame(self) -> pd.DataFrame:
        """The groups as a table.

        Returns
        -------
        pandas.DataFrame
            Index: the value of the fact. Columns: counts, and of each number its value and, as ``_low`` and
            ``_high``, its 95 % interval, NaN where one mounting has none.
        """
        import pandas as pd

        groups = pd.Index([group.value for group in self.groups], name=self.by)
        return pd.DataFrame([_flat(group) for group in self.groups], groups)

    def plot(self, units: str = "si") -> Figure:
        """Draw the groups, and the runs in order.

        Parameters
        ----------
        units : str
            ``si`` or ``us``.

        Returns
        -------
        matplotlib.figure.Figure
            It belongs to no window and needs no pyplot.

        Raises
        ------
        ReductionError
            When there are no such units.
        """
        from undertray.report.comparewords import draw_comparison
        from undertray.report.display import display

        return draw_comparison(self, display(units))


def read_run(
    path: str | Path, car: Car | str | Path | None = None, calibration: Calibration | str | Path | None = None
) -> Run:
    """Read a run log, or a plain capture of the board's stream.

    Parameters
    ----------
    path : str or Path
        The file.
    car : Car, str, Path or None
        The car, or its ``car.toml``; without one the car that the log keeps.
    calibration : Calibration, str, Path or None
        The board's calibration, or its ``calibration.json``.

    Returns
    -------
    Run
        With no rows at all the arrays are empty; nothing is raised for that.

    Raises
    ------
    RunLogError
        When the file cannot be read, is neither a run log nor a capture, a newer version of the log or of the
        wire wrote it, or it has many lines and not one row that holds.
    ReductionError
        When the car is none.
    CalibrationError
        When the calibration is none.

    Examples
    --------
    >>> import undertray
    >>> run = undertray.read_run("front-fold.csv", "car.toml", "calibration.json")
    >>> run
    <Run front-fold: ...>
    >>> run.reduce()
    <Reduction front-fold: let go, ...>
    >>> round(float(run.frame()["front_margin_n"].min()), 1)
    -19.4
    """
    log = read_log(path)
    return Run(**_fields(log), given_car=_car(car), calibration=_calibration(calibration))


def reduce_run(
    run: RunLog,
    car: Car | str | Path | None = None,
    calibration: Calibration | str | Path | None = None,
    tare: str = "none",
    reference: FanReference | None = None,
    speeds_m_s: Sequence[float] = (),
) -> Reduction:
    """Reduce a run.

    Parameters
    ----------
    run : Run
        A run log in memory.
    car : Car, str, Path or None
        The car it was recorded on, or its ``car.toml``; without one that of :func:`read_run`, or else the
        car that the log keeps.
    calibration : Calibration, str, Path or None
        The board's calibration, or its ``calibration.json``; without one that of :func:`read_run`, or else
        the parts' own scales are used, and the result says so.
    tare : str
        What zero to take off: ``none``, ``zero`` (at rest before the run) or ``linear`` (moving to that at
        rest after it).
    reference : FanReference or None
        The car on its good seal, for the seal index.
    speeds_m_s : sequence of float
        Speeds that the traction-limited time is stated for, m/s; 60 mph and 100 km/h if none is given.

    Returns
    -------
    Reduction

    Raises
    ------
    ReductionError
        When the log has fewer than two good rows or no description of the board, its clock stands still,
        it lacks a column that the car names, or there is no car.

    Notes
    -----
    A car that is given is used, also where the log keeps another; then a notice says in what they differ.
    How it is reduced: :func:`undertray.reduce.run.reduce_run`.

    Examples
    --------
    >>> import undertray
    >>> run = undertray.read_run("front-fold.csv")
    >>> undertray.reduce_run(run, "car.toml")
    <Reduction front-fold: let go, ...>
    """
    chosen, certificate = _chosen(run, _car(car), _calibration(calibration))
    found = reduced(run, chosen.car, certificate, tare, reference, speeds_m_s)
    return Reduction(**_fields(chosen.told(found)))


def compare(
    runs: Sequence[RunLog | str | Path],
    by: str = "skirt",
    against: str | None = None,
    car: Car | str | Path | None = None,
    calibration: Calibration | str | Path | None = None,
    tare: str = "none",
    plan_n: float | None = None,
) -> Comparison:
    """Compare skirts, gaps or packs at the same throttle.

    Parameters
    ----------
    runs : sequence of Run, str or Path
        Two or more, or their logs.
    by : str
        The fact to group by.
    against : str or None
        The group to compare with; that of the first run if left out.
    car : Car, str, Path or None
        The car of all runs; without one each run's own.
    calibration : Calibration, str, Path or None
        The calibration of all runs; without one each run's own.
    tare : str
        What zero to take off: ``none``, ``zero`` or ``linear``.
    plan_n : float or None
        A difference of the downforce, N: how many mountings it takes to tell it.

    Returns
    -------
    Comparison
        A drive that several logs hold counts once, and a notice says so.

    Raises
    ------
    RunLogError
        When a log cannot be read.
    ReductionError
        When a run cannot be reduced or judged or does not say the fact, or there is nothing to compare.

    Examples
    --------
    >>> import undertray
    >>> undertray.compare(["clean-hold.csv", "front-fold.csv"], car="car.toml")
    <Comparison by skirt: ...>
    """
    given, certificate = _car(car), _calibration(calibration)
    taken = []
    for one in runs:
        run = one if isinstance(one, RunLog) else read_run(one)
        taken.append(take(run.where, run, *_chosen(run, given, certificate), tare, by))
    kept, notices = once_each(taken, by)
    found = compared([one.digest for one in kept], by, against, plan_n)
    return Comparison(**_fields(found) | {"notices": (*found.notices, *notices)})


def _car(given: Car | str | Path | None) -> Car | None:
    return Car.from_toml(given) if isinstance(given, str | Path) else given


def _calibration(given: Calibration | str | Path | None) -> Calibration | None:
    return Calibration.from_json(given) if isinstance(given, str | Path) else given


def _chosen(
    run: RunLog, car: Car | None, calibration: Calibration | None
) -> tuple[RunCar, Calibration | None]:
    """What a run is reduced with: what is given here, else what it was read with, else its log's own car."""
    if isinstance(run, Run):
        car = run.given_car if car is None else car
        calibration = run.calibration if calibration is None else calibration
    return run_car(run, car, "the car given", prefer_given=True), calibration


def _fields(result: Any) -> dict[str, Any]:
    """The fields of a result, for one that can do more with them."""
    return {field.name: getattr(result, field.name) for field in dataclasses.fields(result)}


def _timed(t_s: Any, columns: dict[str, Any]) -> pd.DataFrame:
    import pandas as pd

    time = pd.to_timedelta((t_s * 1e6).round(), unit="us").rename("time")
    return pd.DataFrame({"t_s": t_s, **columns}, time)


def _flat(group: Group) -> dict[str, Any]:
    """A group as one row: counts as they are, estimates in three columns."""
    row: dict[str, Any] = {}
    for name, value in _fields(group).items():
        if isinstance(value, Estimate):
            row |= {name: value.value, f"{name}_low": value.low, f"{name}_high": value.high}
        elif name == "runs":
            row[name] = len(value)
        elif name != "value":
            row[name] = value
    return {name: float("nan") if value is None else value for name, value in row.items()}


def _shown(text: str, limit: int = _NAME) -> str:
    return escaped(text, limit)
