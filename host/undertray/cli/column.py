"""``undertray column`` and ``undertray target``: what a column height is, and what height is needed."""

from __future__ import annotations

import re
from typing import TYPE_CHECKING, Annotated, Any

import typer

from undertray.cli.caroptions import CarFile, Units, given_or_found, shown_in
from undertray.cli.columnoptions import (
    USUAL_EXPANSION,
    Bench,
    BoreMm,
    Density,
    DensityPercent,
    Expansion,
    Gravity,
    HeightM,
    Incline,
    Latitude,
    Leaning,
    Limbs,
    ReadingMm,
    RulerPercent,
    WaterC,
    WellMm,
    ZeroMm,
)
from undertray.cli.helptext import Command

if TYPE_CHECKING:
    from undertray.calibrate.liquid_column import Conditions, Tube
    from undertray.reduce.car import Car
    from undertray.reduce.hold import Target
    from undertray.reduce.tapcover import ForceBounds
    from undertray.report.display import Display

__all__ = ["register"]


def register(app: typer.Typer) -> None:
    """Add this file's commands to the program."""
    app.command("column", cls=_SignedNumbers, short_help="Turn the height of a liquid column into pressure.")(
        _column
    )
    app.command("target", short_help="Show which suction holds a car, and how well its taps measure it.")(
        _target
    )


class _SignedNumbers(Command):
    """A command whose numbers may have a minus sign: no option begins with a digit."""

    def parse_args(self, ctx: Any, args: list[str]) -> list[str]:
        return super().parse_args(ctx, [f" {arg}" if re.match(r"-\.?\d", arg) else arg for arg in args])


def _column(
    height: Annotated[str, typer.Argument(help="What the ruler says: 100, '10 cm', '-4 in'.")],
    water_c: WaterC = None,
    latitude: Latitude = None,
    height_m: HeightM = 0.0,
    gravity: Gravity = None,
    density: Density = None,
    density_percent: DensityPercent = None,
    expansion: Expansion = USUAL_EXPANSION,
    limbs: Limbs = 2,
    incline: Incline = 90.0,
    leaning: Leaning = "",
    bore_mm: BoreMm = None,
    well_mm: WellMm = None,
    reading_mm: ReadingMm = 0.5,
    zero_mm: ZeroMm = 0.5,
    ruler_percent: RulerPercent = 0.05,
) -> None:
    """Turn the height of a liquid column into pressure, with its uncertainty.

    A negative height is a pressure of the other sign: above that of the room where a suction is below it.

    Example: undertray column "4 in" --water-c 21 --latitude 47
    """
    import numpy as np

    from undertray.errors import CalibrationError
    from undertray.units import quantity

    bench = Bench(
        water_c=water_c,
        latitude=latitude,
        height_m=height_m,
        gravity=gravity,
        density=density,
        density_percent=density_percent,
        expansion=expansion,
        limbs=limbs,
        incline=incline,
        leaning=leaning,
        bore_mm=bore_mm,
        well_mm=well_mm,
        reading_mm=reading_mm,
        zero_mm=zero_mm,
        ruler_percent=ruler_percent,
    )
    read_mm = quantity(float(height) if _bare(height) else height, "mm", "column height")
    if not abs(read_mm) <= 10_000:
        raise CalibrationError("column height out of range", seen=height.strip(), expected="up to 10 m")
    conditions, tube, budget = bench.conditions, bench.tube, bench.budget()
    pa = read_mm * tube.gain * conditions.pa_per_mm
    shared = budget.shared_pa(np.array([read_mm]), tube, conditions, zero_open=False)
    sources = {"reading": budget.reading_pa(tube, conditions)} | {
        name: abs(float(u[0])) for name, u in shared.items()
    }
    u95 = 1.96 * sum(u * u for u in sources.values()) ** 0.5
    for line in bench.doubts:
        print(line)
    name = conditions.fluid.name
    print(
        f"{read_mm:g} mm read, {read_mm * tube.gain:.3f} mm of {name} upright at {conditions.fluid_c:g} degC"
    )
    print(f"  {pa:.2f} Pa, expanded uncertainty {u95:.2f} Pa (95 %, k = 1.96)")
    print(f"  {_units(pa)}")
    for source, u in sorted(sources.items(), key=lambda item: -item[1]):
        print(f"  from {source}: {u:.3f} Pa (standard uncertainty)")


def _target(
    car: CarFile = None,
    surface_angle: Annotated[
        float | None, typer.Option(help="0 ground, 90 wall, 180 upside down; the car's own if left out.")
    ] = None,
    allowance: Annotated[
        float | None, typer.Option(help="Spare hold, share of the weight; the car's own if left out.")
    ] = None,
    next_taps: Annotated[
        int | None, typer.Option(min=1, max=16, help="Propose places for so many more taps.")
    ] = None,
    water_c: WaterC = None,
    latitude: Latitude = None,
    height_m: HeightM = 0.0,
    units: Units = None,
) -> None:
    """Say which mean suction holds a car on a surface, and how well its taps can know it.

    Example: undertray target --car car.toml --surface-angle 180 --allowance 0.3 --next-taps 2
    """
    import dataclasses

    from undertray.calibrate.liquid_column import Tube
    from undertray.reduce.car import Car
    from undertray.reduce.hold import target_suction
    from undertray.report.words import caution_lines

    (path,) = given_or_found((), car=car)
    if path is None:
        raise typer.BadParameter("there is no car.toml here: give --car CAR.toml", param_hint="--car")
    described = Car.from_toml(path)
    for option, value, most in (("--surface-angle", surface_angle, 180), ("--allowance", allowance, 10)):
        if value is not None and not 0 <= value <= most:
            raise typer.BadParameter(f"0 to {most}", param_hint=option)
    if surface_angle is not None:
        described = dataclasses.replace(described, surface_angle_deg=surface_angle)
    if allowance is not None:
        described = dataclasses.replace(described, allowance=allowance)
    bench = Bench(water_c=water_c, latitude=latitude, height_m=height_m)
    found = target_suction(described)
    shown = shown_in(units, described)
    print(
        f"{described.name}: at {described.surface_angle_deg:g} degrees with an allowance of"
        f" {described.allowance:g} of its weight of {_n(described.weight_n, shown)}"
    )
    need = found.need
    whole, front, rear = (_n(value, shown) for value in (need.whole_n, need.front_n, need.rear_n))
    print(f"  {whole} needed: front axle {front}, rear axle {rear}")
    print(
        f"  an even suction of {_pa(found.suction_pa, shown)} under the whole floor gives each its need;"
        f" it makes {_n(found.downforce_n, shown)}"
    )
    print(f"  {_units(found.suction_pa)}")
    print(f"  {_height(found.suction_pa, bench.conditions, Tube())}")
    print(f"  limited by {_limit(found, shown)}")
    if described.allowance:
        bare = target_suction(dataclasses.replace(described, allowance=0.0))
        print(
            f"  without the allowance: {_n(bare.need.whole_n, shown)}, {_pa(bare.suction_pa, shown)};"
            " below that it lets go"
        )
    for line in _known(described, found.suction_pa, next_taps or 0, shown):
        print(f"  {line}")
    for line in bench.doubts:
        print(line)
    print(caution_lines())


def _n(value_n: float, shown: Display) -> str:
    return f"{value_n / shown.force_n:.2f} {shown.force}"


def _pa(value_pa: float, shown: Display) -> str:
    return f"{value_pa / shown.pressure_pa:.{shown.places[0] + 1}f} {shown.pressure}"


def _known(car: Car, suction_pa: float, more: int, shown: Display) -> list[str]:
    """How well the taps can know the force at some suction, and what further taps would make of it."""
    from undertray.reduce.tapcover import force_bounds, next_taps

    def within(known: ForceBounds) -> str:
        whole, front, rear = (
            f"±{shown.n_text(per_pa * suction_pa)} {shown.force}"
            for per_pa in (known.downforce_n, known.front_n, known.rear_n)
        )
        return f"{whole}, front axle {front}, rear axle {rear}"

    count = len(car.taps)
    there = f"its {count} taps measure" if count > 1 else "its one tap measures"
    lines = [f"{there} that force to {within(force_bounds(car))} (95 %, by where they are)"]
    for k, tap in enumerate(next_taps(car, more), count + 1):
        place = [f"{shown.mm_text(mm)} {shown.length}" for mm in (tap.x_mm, tap.y_mm)]
        lines.append(f"tap {k} helps most at x {place[0]}, y {place[1]}: {within(tap.known)}")
    return lines


def _limit(found: Target, shown: Display) -> str:
    over_n = found.downforce_n - found.need.whole_n
    if over_n < 0.005:
        return found.limited_by
    more = _n(over_n, shown)
    return f"{found.limited_by}: an even suction gives the rest of the car {more} more than it needs"


def _bare(text: str) -> bool:
    try:
        float(text)
    except ValueError:
        return False
    return True


def _units(pa: float) -> str:
    from undertray.units import FACTORS

    pressure = FACTORS["pressure"]
    return (
        f"{pa / pressure['inH2O']:.4f} inH2O (the unit of {pressure['inH2O']:.5f} Pa, not a height),"
        f" {pa / pressure['psi']:.5f} psi, {pa / pressure['mbar']:.4f} mbar"
    )


def _height(pa: float, conditions: Conditions, tube: Tube) -> str:
    mm = pa / conditions.pa_per_mm / tube.gain
    liquid = f"{conditions.fluid.name} column at {conditions.fluid_c:g} degC"
    return f"{mm:.1f} mm ({mm / 25.4:.3f} in) of a real {liquid}"
