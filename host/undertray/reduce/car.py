"""The car a person describes in ``car.toml``, checked to the last key."""

from __future__ import annotations

import itertools
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from undertray.errors import CarError
from undertray.reduce.geometry import first_crossing, holds_point, on_one_line, signed_area
from undertray.reduce.givenfiles import Table, load_toml, pair, refuse_newer, refuse_unknown, table
from undertray.units import G_N_M_S2

__all__ = ["FORMAT", "MOST_TAPS", "Car", "Springs", "Tap", "read_springs"]


# Springs and what stands on them: ``[ride]``.

_RIDE_KEYS = frozenset(
    (
        *("front_rate", "rear_rate", "rate_of", "rate_within"),
        *("front_clearance", "rear_clearance", "clearance_within"),
        *("skirt_area", "skirt_preload", "skirt_rate", "skirt_lever", "gap_follows"),
    )
)
_RATES = ("axle", "wheel")
_STIFFEST_N_MM, _HIGHEST_MM, _LARGEST_MM2, _STRONGEST_N, _LONGEST = 1e4, 200.0, 1e6, 1e3, 10.0
_USUAL_WITHIN, _USUAL_WITHIN_MM = 0.1, 0.1  # a kitchen scale and a ruler (common practice, no source)


@dataclass(frozen=True, slots=True)
class Springs:
    """Springs of a car as a person measured them.

    Attributes
    ----------
    front_n_mm, rear_n_mm : float
        Rate of each axle, both wheels together, tyres in, N/mm.
    front_clearance_mm, rear_clearance_mm : float
        Between surface and the lowest fixed part at each axle, ready to run, level, fans off, mm. The lowest
        fixed part is the edge of a stiff skirt, or what carries a soft one.
    rate_within : float
        Half of the width that rates and spring forces are known within, as a share of them.
    clearance_within_mm : float
        Half of the width that the clearances are known within, mm.
    skirt_area_mm2, skirt_preload_n : float or None
        Area of a sprung skirt that suction acts on, and the force with which its edge presses on the surface
        with the fans off, where given.
    skirt_n_mm : float
        How much that force grows as the car sinks, at the edge, N/mm.
    skirt_lever : float
        From the hinge to the middle of that area, over from the hinge to the edge: 0.5 for a plain flap, 1
        for a skirt that slides up and down.
    gap_follows : float or None
        How much of the sink of the car the gap sees: 1 for a stiff skirt, 0 for one that stays down.
    """

    front_n_mm: float
    rear_n_mm: float
    front_clearance_mm: float
    rear_clearance_mm: float
    rate_within: float = _USUAL_WITHIN
    clearance_within_mm: float = _USUAL_WITHIN_MM
    skirt_area_mm2: float | None = None
    skirt_preload_n: float | None = None
    skirt_n_mm: float = 0.0
    skirt_lever: float = 1.0
    gap_follows: float | None = None


def read_springs(data: object, where: str) -> Springs:
    """Check a table ``[ride]``."""
    own = table(data, where)
    refuse_unknown(own, _RIDE_KEYS, where)
    read = Table(own, where, bare=False)
    wheels = 1 if read.choice("rate_of", _RATES) == "axle" else 2
    area_mm2 = read.optional("skirt_area", "mm2", 0.0, _LARGEST_MM2)
    return Springs(
        front_n_mm=wheels * read.number("front_rate", "N/mm", 0.0, _STIFFEST_N_MM),
        rear_n_mm=wheels * read.number("rear_rate", "N/mm", 0.0, _STIFFEST_N_MM),
        front_clearance_mm=read.number("front_clearance", "mm", 0.0, _HIGHEST_MM),
        rear_clearance_mm=read.number("rear_clearance", "mm", 0.0, _HIGHEST_MM),
        rate_within=read.number("rate_within", "1", 0.0, 0.9, True, default=_USUAL_WITHIN),
        clearance_within_mm=read.number(
            "clearance_within", "mm", 0.0, _HIGHEST_MM, True, default=_USUAL_WITHIN_MM
        ),
        skirt_area_mm2=area_mm2,
        # a skirt whose area is given has a spring too: without the one the other says nothing
        skirt_preload_n=None
        if area_mm2 is None and "skirt_preload" not in own
        else read.number("skirt_preload", "N", 0.0, _STRONGEST_N, True),
        skirt_n_mm=read.number("skirt_rate", "N/mm", 0.0, _STIFFEST_N_MM, True, default=0.0),
        skirt_lever=read.number("skirt_lever", "1", 0.0, _LONGEST, default=1.0),
        gap_follows=None if "gap_follows" not in own else read.number("gap_follows", "1", 0.0, 1.0, True),
    )


# The car.

FORMAT = 1
_HEAVIEST_KG, _SHORTEST_MM, _LONGEST_MM = 200.0, 10.0, 5000.0  # beyond it is grams or metres
_FAR_MM = 10_000.0  # no part of a car is further from its front axle
_LEAST_MM2 = 1.0
_MOST_OF_A_FAN = (1e5, 10.0)  # Pa, m3/s
_MAX_CORNERS, MOST_TAPS, _MAX_CURVE, _MOST_ALLOWANCE = 400, 16, 100, 4.0  # allowance: above it is percent
_LOADS = ("cells", "linear", "areas")
_TUBE_MM, _BORE_MM, _VOLUME_MM3 = (1.0, 10_000.0), (0.1, 20.0), (0.01, 1e6)
_USUAL_MU_WITHIN = 0.1  # of tyre_mu (common practice, no source)
_MOST_TRAVEL_MM = 200.0
_MOST_FORCE_N = 1e5
_UNITS = ("si", "us")
_DRIVEN = ("all", "front", "rear")

# every key of the format, those that only some later stage reads among them
_TUBE_KEYS = ("tube_length", "tube_bore", "sensor_volume")
_CAR_KEYS = frozenset(
    (
        *("format", "name", "mass", "wheelbase", "front_weight", "floor", "tyre_mu", "allowance"),
        *(
            "surface_angle",
            "skirt_travel",
            "cg_height",
            "tyre_mu_within",
            "tap",
            "load",
            "driven",
            "drive_force",
            "target_speed",
            "units",
            "fan",
            "ride",
            *_TUBE_KEYS,
        ),
    )
)
_TAP_KEYS = frozenset(("name", "column", "x", "y", "area", *_TUBE_KEYS))
_FAN_KEYS = frozenset(("curve", "pack", "discharge", "idle", "full"))


@dataclass(frozen=True, slots=True)
class Tap:
    """One pressure tap in the floor.

    Attributes
    ----------
    name, column : str
        What the builder calls it, and the pressure column of the log that reads it.
    x_mm, y_mm : float
        Place, mm: x rearward from the front axle, y to the right of the centre line.
    area_mm2 : float or None
        Given area that overrides the share of the floor the tap gets by its place.
    tube_length_mm, tube_bore_mm, sensor_volume_mm3 : float or None
        The tube between tap and sensor and the volume behind it, where given.
    """

    name: str
    column: str
    x_mm: float
    y_mm: float
    area_mm2: float | None = None
    tube_length_mm: float | None = None
    tube_bore_mm: float | None = None
    sensor_volume_mm3: float | None = None


@dataclass(frozen=True, slots=True)
class Car:
    """A car, ready for reduction.

    Attributes
    ----------
    name : str
        What the builder calls it.
    mass_kg, wheelbase_mm : float
        Ready to run; between the axles.
    front_weight : float
        Share of the weight on the front axle when level, 0 to 1.
    floor_mm : tuple of (float, float)
        Corners of the floor in order, x rearward from the front axle, y to the right.
    taps : tuple of Tap
        In the order of the file.
    tyre_mu : float or None
        Friction number of the tyres on this surface.
    allowance : float
        Spare hold as a share of the weight.
    surface_angle_deg : float
        0 on the ground, 90 on a wall, 180 upside down.
    load : str
        How the taps are spread over the floor: ``cells``, ``linear`` or ``areas``.
    driven : str
        Driven wheels: ``all``, ``front`` or ``rear``.
    target_speed_m_s : float
        Speed the traction-limited time is stated for (60 mph if left out).
    fan_curve : tuple of (float, float)
        Suction in Pa and flow in m3/s of the fans at full throttle, where given.
    discharge : float
        Discharge number of the leak for the equivalent leak area.
    fan_pack_mv : float or None
        Pack voltage at which the curve holds, mV, where given.
    fan_idle_us, fan_full_us : float
        Pulse widths at which the fans begin to turn and at which the curve holds, µs.
    skirt_travel_mm : float or None
        How far the car can drop while its skirt still reaches the surface, where given.
    cg_height_mm : float or None
        Height of the centre of gravity above the surface, where given.
    tyre_mu_within : float or None
        Half of the width that ``tyre_mu`` is known within, where given.
    drive_force_n : float or None
        What the drive motor can push with at the wheels at a stand, N, where given.
    ride : Springs or None
        Its springs and static clearances, where given.
    units : str
        Units that its numbers are shown in where nothing else is asked for: ``si`` or ``us``.
    """

    name: str
    mass_kg: float
    wheelbase_mm: float
    front_weight: float
    floor_mm: tuple[tuple[float, float], ...]
    taps: tuple[Tap, ...]
    tyre_mu: float | None = None
    allowance: float = 0.0
    surface_angle_deg: float = 180.0
    load: str = "cells"
    driven: str = "all"
    target_speed_m_s: float = 26.8224
    fan_curve: tuple[tuple[float, float], ...] = ()
    fan_pack_mv: float | None = None
    discharge: float = 0.61
    fan_idle_us: float = 1000.0
    fan_full_us: float = 2000.0
    skirt_travel_mm: float | None = None
    cg_height_mm: float | None = None
    tyre_mu_within: float | None = None
    drive_force_n: float | None = None
    ride: Springs | None = None
    units: str = "si"

    @property
    def mu_within(self) -> float:
        """Half of the width that ``tyre_mu`` is known within: as given, or a tenth of it; 0 without one."""
        if self.tyre_mu_within is not None:
            return self.tyre_mu_within
        return _USUAL_MU_WITHIN * (self.tyre_mu or 0.0)

    @property
    def weight_n(self) -> float:
        """Weight in N, at the standard acceleration of free fall (9.80665 m/s2)."""
        return self.mass_kg * G_N_M_S2

    @classmethod
    def from_toml(cls, path: str | Path) -> Car:
        """Read and check a ``car.toml``.

        Parameters
        ----------
        path : str or Path
            The file.

        Returns
        -------
        Car

        Raises
        ------
        CarError
            When the file cannot be read or is no TOML, and as :meth:`from_data` does.
        UnitError
            As :meth:`from_data` does.

        Examples
        --------
        >>> from undertray import Car
        >>> car = Car.from_toml("car.toml")
        >>> car.name, round(car.weight_n, 2)
        ('Moorhen 10 (invented)', 28.44)
        """
        return cls.from_data(load_toml(Path(path)), Path(path).name)

    @classmethod
    def from_data(cls, data: Mapping[str, Any], name: str) -> Car:
        """Check a car: what a ``car.toml`` holds, or a log keeps of it.

        Parameters
        ----------
        data : mapping
            Keys and values. A quantity is a bare number in the unit of its key or a text with its unit
            (``"7 lbf"``); lengths are in mm, the mass in kg, angles in degrees. In ``[fan]`` and ``[ride]``
            every quantity has its unit.
        name : str
            Where it stands, for the error line.

        Returns
        -------
        Car

        Raises
        ------
        CarError
            When it is of a newer format, has an unknown or missing key, or cannot be: a floor that crosses
            itself or has no area, a tap off the floor, two taps of one name, column or place.
        UnitError
            When a quantity is no number or has a unit that does not fit.
        """
        version = data.get("format")
        if isinstance(version, bool) or not isinstance(version, int) or version < 1:
            raise CarError("no format number", where=name, seen=version, expected=f"format = {FORMAT}")
        refuse_newer(version, FORMAT, "car", name, CarError)
        refuse_unknown(data, _CAR_KEYS, name)
        fan = table(data.get("fan", {}), f"{name}, fan")
        refuse_unknown(fan, _FAN_KEYS, f"{name}, fan")
        floor = _floor(data.get("floor"), f"{name}, floor")
        read, blower = Table(data, name), Table(fan, f"{name}, fan", bare=False)
        load = read.choice("load", _LOADS)
        idle_us = blower.number("idle", "us", 0.0, 5000.0, True, default=1000.0)
        pack_v = blower.optional("pack", "V", 0.5, 100.0)
        return cls(
            name=read.text("name"),
            mass_kg=read.number("mass", "kg", low=0.0, high=_HEAVIEST_KG),
            wheelbase_mm=read.number("wheelbase", "mm", low=_SHORTEST_MM, high=_LONGEST_MM),
            front_weight=read.number("front_weight", "1", low=0.0, high=1.0, ends=True),
            floor_mm=floor,
            taps=_taps(data, floor, load, name),
            tyre_mu=read.optional("tyre_mu", "1", low=0.0, high=10.0),
            allowance=read.number("allowance", "1", low=0.0, high=_MOST_ALLOWANCE, ends=True, default=0.0),
            surface_angle_deg=read.number("surface_angle", "deg", 0.0, 180.0, ends=True, default=180.0),
            skirt_travel_mm=read.optional("skirt_travel", "mm", 0.0, _MOST_TRAVEL_MM),
            cg_height_mm=read.optional("cg_height", "mm", 0.0, _MOST_TRAVEL_MM),
            tyre_mu_within=read.optional("tyre_mu_within", "1", 0.0, 10.0),
            load=load,
            driven=read.choice("driven", _DRIVEN),
            drive_force_n=read.optional("drive_force", "N", 0.0, _MOST_FORCE_N),
            target_speed_m_s=read.number("target_speed", "m/s", low=0.0, high=1000.0, default=26.8224),
            fan_curve=_curve(fan.get("curve", []), f"{name}, fan, curve"),
            fan_pack_mv=None if pack_v is None else pack_v * 1000,
            discharge=blower.number("discharge", "1", 0.01, 1.0, True, default=0.61),
            fan_idle_us=idle_us,
            fan_full_us=blower.number("full", "us", idle_us, 5000.0, default=max(2000.0, idle_us + 500.0)),
            ride=None if "ride" not in data else read_springs(data["ride"], f"{name}, ride"),
            units=read.choice("units", _UNITS),
        )


def _floor(value: object, where: str) -> tuple[tuple[float, float], ...]:
    if not isinstance(value, list) or not 3 <= len(value) <= _MAX_CORNERS:
        raise CarError(
            "bad or missing floor",
            where=where,
            seen=value,
            expected=f"3 to {_MAX_CORNERS} corners [x, y] in mm",
        )
    corners = tuple(
        pair(v, ("mm", "mm"), f"{where}, corner {i + 1}", most=(_FAR_MM, _FAR_MM))
        for i, v in enumerate(value)
    )
    if len(set(corners)) != len(corners):
        raise CarError(
            "a corner comes twice",
            where=where,
            expected="each corner once, the first not repeated at the end",
        )
    no_area = CarError(
        "the floor has no area", where=where, seen=list(corners), expected="corners round an area"
    )
    if on_one_line(corners):
        raise no_area
    if (crossing := first_crossing(corners)) is not None:
        a, b = (f"{i + 1}-{(i + 1) % len(corners) + 1}" for i in crossing)
        raise CarError(
            f"the floor crosses itself: its edge from corner {a} meets the edge {b}",
            where=where,
            expected="corners in order round the outline",
            do="put the corners in order",
        )
    if abs(signed_area(corners)) < _LEAST_MM2:
        raise no_area
    return corners


def _taps(
    data: Mapping[str, Any], floor: tuple[tuple[float, float], ...], load: str, name: str
) -> tuple[Tap, ...]:
    value = data.get("tap")
    if not isinstance(value, list) or not 1 <= len(value) <= MOST_TAPS:
        raise CarError(
            "bad or missing taps", where=name, seen=value, expected=f"1 to {MOST_TAPS} [[tap]] tables"
        )
    taps: list[Tap] = []
    for i, item in enumerate(value):
        where = f"{name}, tap {i + 1}"
        own = table(item, where)
        refuse_unknown(own, _TAP_KEYS, where)
        read = Table(own, where)
        # what all tubes share stands once, above the taps
        tube = Table({k: data[k] for k in _TUBE_KEYS if k in data} | dict(own), where)
        tap = Tap(
            name=read.text("name"),
            column=read.text("column"),
            x_mm=read.number("x", "mm", -_FAR_MM, _FAR_MM),
            y_mm=read.number("y", "mm", -_FAR_MM, _FAR_MM),
            area_mm2=read.optional("area", "mm2", _LEAST_MM2, _FAR_MM**2),
            tube_length_mm=tube.optional("tube_length", "mm", *_TUBE_MM),
            tube_bore_mm=tube.optional("tube_bore", "mm", *_BORE_MM),
            sensor_volume_mm3=tube.optional("sensor_volume", "mm3", *_VOLUME_MM3),
        )
        _check_area(tap, load, where)
        if not holds_point(floor, (tap.x_mm, tap.y_mm)):
            raise CarError(
                f"tap {tap.name!r} is off the floor",
                where=where,
                seen=[tap.x_mm, tap.y_mm],
                expected="a place inside the floor",
                do="check x, y and the floor's corners",
            )
        taps.append(tap)
    for what, keys in (
        ("name", [t.name for t in taps]),
        ("column", [t.column for t in taps]),
        ("place", [(t.x_mm, t.y_mm) for t in taps]),
    ):
        twice = next((k for i, k in enumerate(keys) if k in keys[:i]), None)
        if twice is not None:
            raise CarError(
                f"two taps of one {what}", where=name, seen=twice, expected=f"a {what} of its own each"
            )
    return tuple(taps)


def _check_area(tap: Tap, load: str, where: str) -> None:
    if load == "areas" and tap.area_mm2 is None:
        raise CarError(
            f"tap {tap.name!r} has no area",
            where=where,
            expected="an 'area' for every tap, with load = \"areas\"",
            do="give them all, or leave 'load' out",
        )
    if load == "linear" and tap.area_mm2 is not None:
        raise CarError(
            f"tap {tap.name!r} has an area of its own",
            where=where,
            seen=tap.area_mm2,
            expected='no areas with load = "linear": they follow from the places',
            do="leave out the areas, or 'load'",
        )


def _curve(value: object, where: str) -> tuple[tuple[float, float], ...]:
    pairs = '2 or more pairs such as ["600 Pa", "12 L/s"], suction rising from 0 up and flow not rising'
    if not isinstance(value, list) or len(value) > _MAX_CURVE:
        raise CarError("bad fan curve", where=where, seen=value, expected=pairs)
    curve = tuple(
        pair(v, ("Pa", "m3/s"), f"{where}, point {i + 1}", bare=False, most=_MOST_OF_A_FAN)
        for i, v in enumerate(value)
    )
    rises = all(b[0] > a[0] and b[1] <= a[1] for a, b in itertools.pairwise(curve))
    if curve and (len(curve) < 2 or not rises or curve[0][0] < 0 or curve[-1][1] < 0):
        raise CarError("bad fan curve", where=where, seen=value, expected=pairs)
    return curve
