"""``undertray column``: what a column height is; and the options that describe a column."""

from __future__ import annotations

import re
from dataclasses import dataclass
from typing import TYPE_CHECKING, Annotated, Any

import typer

from undertray.cli.helptext import Command
from undertray.cli.options import Units, in_unit, shown_in

if TYPE_CHECKING:
    from undertray.calibrate.liquid_column import Budget, Conditions, Tube
    from undertray.calibrate.surroundings import Fluid

__all__ = [
    "USUAL_EXPANSION",
    "Bench",
    "BoreMm",
    "Density",
    "DensityPercent",
    "Expansion",
    "Gravity",
    "HeightM",
    "Incline",
    "Latitude",
    "Leaning",
    "Limbs",
    "ReadingMm",
    "RulerPercent",
    "WaterC",
    "WellMm",
    "ZeroMm",
    "register",
    "units_text",
]


_LIQUID = "Liquid and place"
_COLUMN = "The column, and how it is read"

WaterC = Annotated[
    float | None,
    typer.Option(
        parser=in_unit("degC"),
        help="Temperature of the liquid, degC; 20 within 5 K if left out.",
        rich_help_panel=_LIQUID,
    ),
]
Latitude = Annotated[
    float | None,
    typer.Option(
        help="Latitude, degrees; 45 with all of the Earth's range if left out.", rich_help_panel=_LIQUID
    ),
]
HeightM = Annotated[
    float, typer.Option(parser=in_unit("m"), help="Height above the sea, m.", rich_help_panel=_LIQUID)
]
Gravity = Annotated[
    float | None, typer.Option(help="Local gravity, m/s2, where it is known.", rich_help_panel=_LIQUID)
]
Density = Annotated[
    float | None,
    typer.Option(help="Density of a liquid other than water, kg/m3 at 20 degC.", rich_help_panel=_LIQUID),
]
DensityPercent = Annotated[
    float | None,
    typer.Option(
        help="Half width of that density, %; 0.05 for water, 0.5 for another liquid if left out.",
        rich_help_panel=_LIQUID,
    ),
]
Expansion = Annotated[
    float, typer.Option(help="Loss of that liquid's density per K, relative.", rich_help_panel=_LIQUID)
]
Limbs = Annotated[
    int, typer.Option(help="2: both menisci read. 1: only one, from its zero mark.", rich_help_panel=_COLUMN)
]
Incline = Annotated[
    float, typer.Option(help="Angle of the tube to the horizontal, degrees.", rich_help_panel=_COLUMN)
]
Leaning = Annotated[
    str,
    typer.Option(
        help="With --incline: 'both' limbs lean, or 'one' and the other is upright.", rich_help_panel=_COLUMN
    ),
]
BoreMm = Annotated[
    float | None,
    typer.Option(
        parser=in_unit("mm"), help="Bore of the tube that is read, mm (one limb).", rich_help_panel=_COLUMN
    ),
]
WellMm = Annotated[
    float | None,
    typer.Option(
        parser=in_unit("mm"), help="Inner diameter of its well, mm (one limb).", rich_help_panel=_COLUMN
    ),
]
ReadingMm = Annotated[
    float,
    typer.Option(
        parser=in_unit("mm"), help="Half width of one reading of a meniscus, mm.", rich_help_panel=_COLUMN
    ),
]
ZeroMm = Annotated[
    float,
    typer.Option(
        parser=in_unit("mm"), help="Half width of the column's zero mark, mm.", rich_help_panel=_COLUMN
    ),
]
RulerPercent = Annotated[
    float, typer.Option(help="Half width of the ruler's length, %.", rich_help_panel=_COLUMN)
]

USUAL_EXPANSION = 1e-3
"""Of light oils and alcohols, 1/K (common practice, no source)."""
# what an input that was not given is taken to lie within
_UNMEASURED_K = 5.0
_MEASURED_K = 1.0
_UNKNOWN_GRAVITY = 2.7e-3  # from equator to pole about the value at 45 degrees
_FORMULA_GRAVITY = 1e-4


@dataclass(frozen=True, slots=True)
class Bench:
    """The options as they were given."""

    water_c: float | None = None
    latitude: float | None = None
    height_m: float = 0.0
    gravity: float | None = None
    density: float | None = None
    density_percent: float | None = None
    expansion: float = USUAL_EXPANSION
    limbs: int = 2
    incline: float = 90.0
    bore_mm: float | None = None
    well_mm: float | None = None
    reading_mm: float = 0.5
    zero_mm: float = 0.5
    ruler_percent: float = 0.05
    leaning: str = ""

    @property
    def conditions(self) -> Conditions:
        """Liquid and surroundings."""
        from undertray.calibrate.liquid_column import Conditions

        return Conditions(
            fluid_c=20.0 if self.water_c is None else self.water_c,
            latitude_deg=45.0 if self.latitude is None else self.latitude,
            height_m=self.height_m,
            fluid=self._fluid,
            gravity_m_s2=self.gravity,
        )

    @property
    def _fluid(self) -> Fluid:
        from undertray.calibrate.surroundings import Fluid

        if self.density is None:
            percent = 0.05 if self.density_percent is None else self.density_percent
            return Fluid(density_half_width=percent / 100)
        percent = 0.5 if self.density_percent is None else self.density_percent
        return Fluid("liquid", self.density, 20.0, self.expansion, percent / 100)

    @property
    def tube(self) -> Tube:
        """How the column is built and read."""
        from undertray.calibrate.liquid_column import Tube

        return Tube(self.limbs, self.incline, self.bore_mm, self.well_mm, self.leaning)

    def budget(self, sensor_pa: float = 0.5) -> Budget:
        """What can be wrong with it."""
        from undertray.calibrate.liquid_column import Budget

        return Budget(
            reading_mm=self.reading_mm,
            zero_mm=self.zero_mm,
            ruler=self.ruler_percent / 100,
            temperature_k=_UNMEASURED_K if self.water_c is None else _MEASURED_K,
            gravity=_FORMULA_GRAVITY if self._place_known else _UNKNOWN_GRAVITY,
            sensor_pa=sensor_pa,
        )

    @property
    def doubts(self) -> list[str]:
        """What was not given and therefore widens the uncertainty, as lines of text."""
        lines = []
        if self.water_c is None:
            lines.append(
                f"temperature of the liquid not given: 20 degC within {_UNMEASURED_K:g} K (--water-c)"
            )
        if not self._place_known:
            lines.append(
                "latitude not given: gravity of 45 degrees, within what it varies over the Earth (--latitude)"
            )
        if self.incline != 90 and not self.leaning:
            taken, other = ("both limbs lean", "one") if self.tube.both_lean else ("one limb leans", "both")
            lines.append(f"{taken}, at {self.incline:g} degrees, as nothing else is said (--leaning {other})")
        return lines

    @property
    def _place_known(self) -> bool:
        return self.latitude is not None or self.gravity is not None


def register(app: typer.Typer) -> None:
    """Add this file's commands to the program."""
    app.command("column", cls=_SignedNumbers, short_help="Turn the height of a liquid column into pressure.")(
        _column
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
    units: Units = None,
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
    shown = shown_in(units, None)
    told, within = (f"{shown.pa_text(value_pa, finer=2)} {shown.pressure}" for value_pa in (pa, u95))
    print(f"  {told}, expanded uncertainty {within} (95 %, k = 1.96)")
    print(f"  {units_text(pa)}")
    for source, u in sorted(sources.items(), key=lambda item: -item[1]):
        print(f"  from {source}: {shown.pa_text(u, finer=3)} {shown.pressure} (standard uncertainty)")


def _bare(text: str) -> bool:
    try:
        float(text)
    except ValueError:
        return False
    return True


def units_text(pa: float) -> str:
    """A pressure in the units that are used for it."""
    from undertray.units import FACTORS

    pressure = FACTORS["pressure"]
    return (
        f"{pa / pressure['inH2O']:.4f} inH2O (the unit of {pressure['inH2O']:.5f} Pa, not a height),"
        f" {pa / pressure['psi']:.5f} psi, {pa / pressure['mbar']:.4f} mbar"
    )
