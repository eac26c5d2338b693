"""``undertray whatif``."""

from __future__ import annotations

import sys
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from undertray.cli.options import (
    AsJson,
    CalibrationFile,
    CarFile,
    CarFrom,
    DragFile,
    Setup,
    Tare,
    Units,
    asked,
    setup,
    shown_in,
)
from undertray.cli.streams import draw_into, print_answer

if TYPE_CHECKING:
    from undertray.predict.axleloads import AxleLoads
    from undertray.predict.fanlaw import LawRange, RunPoints
    from undertray.predict.forecast import Curve, SecondFan
    from undertray.predict.packvolts import Pack
    from undertray.reduce.car import Car
    from undertray.reduce.summary import Reduction
    from undertray.report.display import Display

__all__ = ["register"]

_MOST_RUNS = 50
# of the car's mass: what is put on or taken off between two drives is less, a forgotten sign or unit is not
_LEAST_MASS, _MOST_MASS = 0.5, 2.0


def register(app: typer.Typer) -> None:
    """Add this file's commands to the program."""
    app.command("whatif", short_help="Another mass, pack, gap, angle: margins, grip, with intervals.")(
        _whatif
    )


def _whatif(
    runs: Annotated[
        list[Path] | None,
        typer.Argument(metavar="RUN.csv...", help="Sweeps and runs, gap and pack noted.", show_default=False),
    ] = None,
    reference: Annotated[
        Path | None, typer.Option("--reference", metavar="FILE", help="What 'undertray reference' wrote.")
    ] = None,
    car: CarFile = None,
    car_from: CarFrom = "log",
    calibration: CalibrationFile = None,
    tare: Tare = "none",
    drag: DragFile = None,
    mass: Annotated[
        str | None, typer.Option("--mass", help="More or less of it, '+180 g', '-0.2 lb'; or all, '3.1 kg'.")
    ] = None,
    pack: Annotated[
        list[str] | None,
        typer.Option("--pack", help="'4S', '4S +60 g', or volts under load, '14.4 V'; may repeat."),
    ] = None,
    gap: Annotated[
        str | None, typer.Option("--gap", help="Gap as set, fans off: '0.8 mm', '0.03 in'.")
    ] = None,
    angle: Annotated[
        float | None, typer.Option("--angle", min=0, max=180, help="Surface, degrees; else the car's.")
    ] = None,
    mu: Annotated[
        float | None, typer.Option("--mu", min=0.01, max=10, help="Tyre mu; else the car's.")
    ] = None,
    springs: Annotated[
        str | None,
        typer.Option("--springs", help="Other rates of the axles, front and rear: '6 N/mm, 7 N/mm'."),
    ] = None,
    throttle: Annotated[
        float | None, typer.Option("--throttle", min=800, max=2500, help="µs; else the highest measured.")
    ] = None,
    throttle2: Annotated[
        float | None,
        typer.Option("--throttle2", min=800, max=2500, help="µs, of a second fan; else as the first."),
    ] = None,
    pack2: Annotated[
        str | None, typer.Option("--pack2", help="Pack of a second fan that has its own: '4S'.")
    ] = None,
    cell: Annotated[
        str | None,
        typer.Option("--cell", help="Voltage of a cell at rest, '3.6 V'; else as in the runs on average."),
    ] = None,
    to_speed: Annotated[
        list[str] | None, typer.Option("--to-speed", help="Speed for the time to it: '50 mph'; may repeat.")
    ] = None,
    gap_was: Annotated[
        str | None, typer.Option("--gap-was", help="Gap of the runs that do not note one.")
    ] = None,
    gap_within: Annotated[
        str, typer.Option("--gap-within", help="Half of the width that gaps are known within.")
    ] = "0.05 mm",
    pack_was: Annotated[
        str | None, typer.Option("--pack-was", help="Pack of the runs that do not note it: '3S'.")
    ] = None,
    units: Units = None,
    as_json: AsJson = False,
    pictures: Annotated[
        Path | None,
        typer.Option("--pictures", metavar="FOLDER", help="Draw margin against gap as SVG and CSV."),
    ] = None,
) -> None:
    """Say what another mass, pack, gap, angle or tyre would come to, from your own sweep and runs.

    Best are sweeps at two gaps, on a full and on an emptied pack, with gap and pack noted (record --gap
    --pack). It names what lies beyond what was measured, and what cannot be told. With [ride] in the car file
    other springs, mass and angle also change how far suction closes the gap.

    Example: undertray whatif sweep.csv --car car.toml --mass "+180 g" --pack 4S --gap "0.8 mm" --angle 180
    """
    _check_given(runs or [], reference)
    from dataclasses import replace

    from undertray.predict.axleloads import even_loads
    from undertray.predict.drag import read_drag
    from undertray.predict.draws import Draws
    from undertray.predict.fanlaw import fit_law, from_curve, run_points
    from undertray.predict.forecast import Case, SecondFan, margin_curves, what_if
    from undertray.predict.packvolts import pack_of, pack_volts
    from undertray.reduce.fan import FanReference
    from undertray.report.forecastwords import what_if_words
    from undertray.report.words import room

    packs: list[Pack | None] = [pack_of(text, "--pack") for text in pack or ()]
    before = None if pack_was is None else pack_of(pack_was, "--pack-was").cells
    pulled = read_drag(drag) if drag is not None else None
    good = FanReference.from_json(reference) if reference is not None else None
    read, the_car, notices = _read(runs or [], setup(runs or (), car, car_from, calibration, tare))
    points = run_points(read, _quantity(gap_was, "mm", "--gap-was", 0.0, 50.0), before)
    notices += points.notices
    if good is not None and {one.run for one, _ in read} & set(good.runs):
        good, said = None, "the reference is of runs that are given: they count, and it does not"
        notices.append(said)
    known = from_curve(the_car, points.law, good)
    share, of_gap = (None, None) if known is None else known
    within_mm = _quantity(gap_within, "mm", "--gap-within", 0.0, 50.0) or 0.0
    law = fit_law(points.law, good, share, of_gap, within_mm)
    cell_mv = _quantity(cell, "mV", "--cell", 2e3, 4.5e3)
    volts = pack_volts(points.volts, points.cells, Draws(1234), cell_mv)
    second_volts = pack_volts(points.volts2, points.cells, Draws(1235), cell_mv)
    _check_second(points, throttle2, pack2)
    loads = _loads(read) or even_loads(the_car, [float(law.level_pa[0])])
    first_us = throttle if throttle is not None else law.throttles_us.high
    parts = second_volts is not None or throttle2 is not None
    now = Case(
        "as it is",
        _changed(the_car, None, angle, mu),
        None,
        law.gap_mm,
        first_us,
        SecondFan(throttle2 or first_us) if parts else None,
    )
    gap_mm = now.gap_mm if gap is None else _quantity(gap, "mm", "--gap", 0.0, 50.0)
    sprung = _sprung(the_car, springs)
    other = None if pack2 is None else pack_of(pack2, "--pack2")
    cases = []
    for one in packs or [None]:
        second = _second(now.second, one, other, own_pack=second_volts is not None)
        name = "as asked" if one is None else one.name
        case = Case(name, sprung, one, gap_mm, now.throttle_us, second)
        cases.append(replace(case, car=_changed(sprung, mass, angle, mu, case.heavier_kg)))
    speeds = [asked(text, "m/s", "--to-speed", 0, 1000, above=True) for text in to_speed or ()]
    found = what_if(law, volts, loads, now, cases, speeds, pulled, the_car, second_volts=second_volts)
    shown = shown_in(units, the_car)
    print_answer(
        found, what_if_words(found, shown, room()), (*notices, *found.notices), shown, as_json, "    "
    )
    if pictures is not None:
        curves = margin_curves(law, volts, loads, [now, *cases], driven=the_car, second_volts=second_volts)
        _draw(curves, law.gaps_mm, shown, pictures)


def _check_given(runs: list[Path], reference: Path | None) -> None:
    if (not runs and reference is None) or len(runs) > _MOST_RUNS:
        raise typer.BadParameter(f"give 1 to {_MOST_RUNS} runs, --reference, or both", param_hint="RUN.csv")


def _check_second(points: RunPoints, throttle2: float | None, pack2: str | None) -> None:
    from undertray.errors import ReductionError

    if throttle2 is not None and not points.two_fans:
        raise ReductionError(
            "the runs have one throttle: nothing is known of a second fan's own",
            where="--throttle2",
            do="let the board hear it (board.json, throttle2), and record again",
        )
    if pack2 is not None and not points.volts2:
        raise ReductionError(
            "the runs have one pack for all fans",
            where="--pack2",
            do="let the board measure the other (board.json, pack2), or give --pack",
        )


def _second(fan: SecondFan | None, pack: Pack | None, other: Pack | None, own_pack: bool) -> SecondFan | None:
    """The second fan with the pack that is asked about: its own, or the one of both, which weighs once."""
    from dataclasses import replace

    if fan is None:
        return None
    if own_pack:
        return replace(fan, pack=other or pack)
    return replace(fan, pack=None if pack is None else replace(pack, heavier_kg=0.0))


def _draw(curves: Sequence[Curve], measured: LawRange | None, units: Display, folder: Path) -> None:
    from undertray.report.forecastwords import margin_picture
    from undertray.report.words import note_lines

    if not curves:
        print(note_lines("no picture: what another gap does is not known"), file=sys.stderr)
        return
    draw_into(folder, margin_picture(curves, measured, units))


def _read(paths: list[Path], given: Setup) -> tuple[list[tuple[Reduction, dict[str, Any]]], Car, list[str]]:
    """Reduced runs with their facts, and the car."""
    from undertray.acquire.runfolder import counted_once, drive_of, same_run
    from undertray.acquire.runlog import read_run
    from undertray.errors import escaped
    from undertray.reduce.runcar import differing_cars

    if not paths:
        if given.car is None:
            raise typer.BadParameter("needs the car: --car CAR.toml", param_hint="--reference")
        return [], given.car, []
    logs = [read_run(path) for path in paths]
    stands = counted_once([drive_of(log) for log in logs])
    notices = [
        f"{same_run(paths[i], paths[one])}: it counts once" for i, one in enumerate(stands) if one != i
    ]
    found, cars = [], []
    for log, one in [(log, stands[i]) for i, log in enumerate(logs) if stands[i] == i]:
        facts = dict(log.facts)
        its_car, reduction = given.reduce(log)
        notices += [f"{escaped(paths[one].name)}: {notice}" for notice in reduction.notices]
        found.append((reduction, facts))
        cars.append((reduction.run, its_car))
    return found, cars[0][1], [*notices, *differing_cars(cars)]


def _loads(read: list[tuple[Reduction, dict[str, Any]]]) -> AxleLoads | None:
    """Loads of the run that sucked most."""
    from undertray.predict.axleloads import measured_loads

    steady = [one for one, _ in read if one.steady is not None]
    found = [measured_loads(one) for one in steady]
    return max(found, key=lambda one: one.levels[-1].suction_pa, default=None)


def _changed(
    car: Car, mass: str | None, angle: float | None, mu: float | None, heavier_kg: float = 0.0
) -> Car:
    from dataclasses import replace

    kg = car.mass_kg
    if mass is not None:
        given = _quantity(mass, "kg", "--mass", -100.0, 200.0) or 0.0
        kg = kg + given if mass.strip()[:1] in "+-" else given
    kg += heavier_kg
    if not _LEAST_MASS * car.mass_kg <= kg <= _MOST_MASS * car.mass_kg:
        raise typer.BadParameter(
            f"the car would have {kg:.3g} kg, and has {car.mass_kg:.3g} kg: expected {_LEAST_MASS:g} to"
            f" {_MOST_MASS:g} times that; '+180 g' is more of it, '3.1 kg' all of it, a bare number is kg",
            param_hint="--mass",
        )
    out = replace(car, mass_kg=kg)
    if angle is not None:
        out = replace(out, surface_angle_deg=angle)
    if mu is not None and mu != car.tyre_mu:
        out = replace(out, tyre_mu=mu, tyre_mu_within=None if car.tyre_mu is None else car.tyre_mu_within)
    return out


def _sprung(car: Car, springs: str | None) -> Car:
    from dataclasses import replace

    if springs is None:
        return car
    if car.ride is None:
        raise typer.BadParameter("the car file has no springs: [ride]", param_hint="--springs")
    rates = [_quantity(part, "N/mm", "--springs", 0.0, 1e4) for part in springs.split(",")[:3]]
    if len(rates) != 2 or rates[0] is None or rates[1] is None:
        raise typer.BadParameter("a rate of the front and one of the rear axle", param_hint="--springs")
    return replace(car, ride=replace(car.ride, front_n_mm=rates[0], rear_n_mm=rates[1]))


def _quantity(text: str | None, unit: str, option: str, low: float, high: float) -> float | None:
    return None if text is None else asked(text, unit, option, low, high, above=True)
