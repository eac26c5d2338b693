"""``undertray car`` and ``undertray target``: what a car is, and which suction it needs."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from undertray.cli.column import Bench, HeightM, Latitude, WaterC, units_text
from undertray.cli.options import CarFile, Units, needed_car, shown_in

if TYPE_CHECKING:
    from undertray.calibrate.liquid_column import Conditions, Tube
    from undertray.reduce.car import Car
    from undertray.reduce.hold import Target
    from undertray.reduce.tapcover import ForceBounds
    from undertray.report.display import Display

__all__ = ["register"]

_group = typer.Typer(help="Look the description of a car over.", no_args_is_help=True)


def register(app: typer.Typer) -> None:
    """Add this file's commands to the program."""
    app.add_typer(_group, name="car")
    app.command("target", short_help="Show the suction a car needs, and how well its taps see it.")(_target)


@_group.callback()
def _car() -> None:
    """Look the description of a car over."""


@_group.command("draw", short_help="Draw outline, taps and axles of a car.")
def _draw(
    described_in: Annotated[
        Path | None,
        typer.Argument(metavar="CAR.toml", help="The car; else car.toml here.", show_default=False),
    ] = None,
    car: Annotated[
        Path | None, typer.Option(metavar="CAR.toml", help="The same as an option.", show_default=False)
    ] = None,
    out: Annotated[
        Path, typer.Option(metavar="FILE", help="What to write: a name ending in .svg, .png or .pdf.")
    ] = Path("car.svg"),
    units: Units = None,
) -> None:
    """Draw the outline of the floor, the taps with their share of it, axles and weight, as car.toml has them.

    A corner or a tap that is typed wrongly is seen here before it is driven with.

    Example: undertray car draw car.toml --out car.png
    """
    if described_in is not None and car is not None:
        raise typer.BadParameter("give the car once", param_hint="--car")
    from undertray.report.floorplan import car_picture

    described = needed_car(described_in or car)
    car_picture(described, out, shown_in(units, described))
    print(out)


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
    from undertray.reduce.hold import target_suction
    from undertray.report.words import caution_lines

    described = needed_car(car)
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
    print(f"  {units_text(found.suction_pa)}")
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
    return f"{shown.pa_text(value_pa, finer=1)} {shown.pressure}"


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


def _height(pa: float, conditions: Conditions, tube: Tube) -> str:
    mm = pa / conditions.pa_per_mm / tube.gain
    liquid = f"{conditions.fluid.name} column at {conditions.fluid_c:g} degC"
    return f"{mm:.1f} mm ({mm / 25.4:.3f} in) of a real {liquid}"
