"""The parts that a board takes: their values stand here once, for the drawings and for the list."""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass
from math import floor

from undertray.report.wiring.plan import BoardPlan, Sensor

__all__ = [
    "BULK",
    "BYPASS",
    "DIODE",
    "FUSE",
    "LIGHT_OHM",
    "ON_BOARD_LED",
    "POT",
    "PULL_UP",
    "RESET_OHM",
    "SERIES_OHM",
    "THROTTLE_OHM",
    "Part",
    "analogue_ohm",
    "pack_limit_v",
    "pack_ohm",
    "pack_upper_kohm",
    "parts",
]

ON_BOARD_LED = 25
FUSE, DIODE, BULK = "fuse 1 A", "Schottky diode", "470 µF, 10 V"
PULL_UP, BYPASS, RESET_OHM = "2.2 to 4.7 kΩ", "100 nF", "10 kΩ"
THROTTLE_OHM = ("10 kΩ", "18 kΩ")
SERIES_OHM, LIGHT_OHM = "1 kΩ", "330 Ω"
POT = "20 to 100 ml"
_PIN_V = 3.3
_TOLERANCE = 0.05
_ANALOGUE_RATIO = 1.5  # an output of up to 4.5 V
# IEC 60063, series E24
_E24 = (10, 11, 12, 13, 15, 16, 18, 20, 22, 24, 27, 30, 33, 36, 39, 43, 47, 51, 56, 62, 68, 75, 82, 91)


@dataclass(frozen=True, slots=True)
class Part:
    """One line of the list: what, how many, what for."""

    what: str
    many: int
    use: str


def pack_ohm(divider: float) -> tuple[str, str]:
    """Which two resistors make a pack divider.

    Parameters
    ----------
    divider : float
        Pack voltage over pin voltage.

    Returns
    -------
    upper, lower : str
        With 10 kΩ from the pin to ground. The upper one is the nearest that is sold, in 24 steps a
        decade, at or below ``10 * (divider - 1)``: below, so that the limit is never overstated.
    """
    return f"{pack_upper_kohm(divider):g} kΩ", "10 kΩ"


def pack_upper_kohm(divider: float) -> float:
    """The resistor from the pack to the pin.

    Parameters
    ----------
    divider : float
        Pack voltage over pin voltage.

    Returns
    -------
    float
        kΩ, as :func:`pack_ohm` chooses it; 0 for none.
    """
    exact = 10 * (divider - 1) + 1e-6
    sold = (step / 10**down for down in (2, 1, 0, -1) for step in _E24)
    return max((kohm for kohm in sold if kohm <= exact), default=0.0)


def pack_limit_v(divider: float) -> float:
    """The highest pack voltage that a divider may be given.

    Parameters
    ----------
    divider : float
        Pack voltage over pin voltage.

    Returns
    -------
    float
        V, at which the pin has its 3.3 V with the resistors of :func:`pack_ohm`, each off by 5 %
        the bad way; to a tenth, never rounded up.
    """
    ratio = pack_upper_kohm(divider) / 10 * (1 - _TOLERANCE) / (1 + _TOLERANCE)
    return floor(10 * _PIN_V * (1 + ratio) + 1e-9) / 10


def analogue_ohm(sensor: Sensor) -> tuple[str, str]:
    """Which two resistors stand between a sensor's analogue output and its pin.

    Parameters
    ----------
    sensor : Sensor
        The sensor. A divider below 1.5 is drawn as 1.5: its output may reach 4.5 V.

    Returns
    -------
    upper, lower : str
        With 20 kΩ from the pin to ground.
    """
    return f"{20 * (max(sensor.divider, _ANALOGUE_RATIO) - 1):.3g} kΩ", "20 kΩ"


def parts(plan: BoardPlan) -> list[Part]:
    """List the parts of a board.

    Parameters
    ----------
    plan : BoardPlan
        What is wired where.

    Returns
    -------
    list of Part
        Power first, then the sensors, then throttle, alarm and pack.
    """
    found = [
        Part("board with RP2040 or RP2350", 1, "runs the firmware"),
        Part(FUSE, 1, "at the pack's plug"),
        Part("5 V regulator, 1 A", 1, "from the pack to the board"),
        Part(f"{DIODE}, 1 A", 1, "between regulator and VSYS"),
        Part(f"capacitor {BULK}", 1, "VSYS to GND"),
    ]
    kinds = Counter(f"{s.part} {s.range_code}".strip() for s in plan.sensors)
    found += [Part(f"sensor {kind}", many, "one a tap") for kind, many in kinds.items()]
    outputs = len({(s.bus, s.mux) for s in plan.sensors if s.mux is not None})
    if plan.muxes:
        found.append(Part("multiplexer TCA9548A", len(plan.muxes), "sensors of one address"))
    if resets := sum(mux.reset_pin is not None for mux in plan.muxes):
        found.append(Part(f"resistor {RESET_OHM}", resets, "pull-up of a multiplexer's reset"))
    if plan.buses:
        use = "pull-ups, two a bus and two a used output of a multiplexer"
        found.append(Part(f"resistor {PULL_UP}", 2 * (len(plan.buses) + outputs), use))
    supplies, pack = len(plan.sensors) + len(plan.muxes), plan.pack_pin is not None
    use = "one at each supply" + (", one at the pack's pin" if pack else "")
    found.append(Part(f"capacitor {BYPASS}", supplies + pack, use))
    analogue = [s for s in plan.sensors if s.adc_pin is not None]
    found += [
        Part(f"resistor {ohm}, 1 %", 1, f"divider of {s.name}") for s in analogue for ohm in analogue_ohm(s)
    ]
    found += [*_throttle(plan), *_alarm(plan), *_pack(plan)]
    tubes = Part("tube, 2 mm bore", 2 * len(plan.sensors), "to the taps, and to the pot")
    return [*found, tubes, Part(f"pot, {POT}, with a capillary", 1, "still air")]


def _throttle(plan: BoardPlan) -> list[Part]:
    if plan.throttle_pin is None:
        return []
    if plan.throttle_output:
        return [Part(f"resistor {SERIES_OHM}", 1, "in the throttle's signal")]
    return [Part(f"resistor {ohm}", 1, "divider of the throttle") for ohm in THROTTLE_OHM]


def _alarm(plan: BoardPlan) -> list[Part]:
    found = []
    if plan.led_pin not in (None, ON_BOARD_LED):
        found += [Part("LED", 1, "alarm light"), Part(f"resistor {LIGHT_OHM}", 1, "alarm light")]
    if plan.buzzer_pin is not None:
        found.append(Part("buzzer with its own driver", 1, "alarm"))
        found.append(Part("transistor", 1, "alarm, if the buzzer draws over 5 mA"))
    return found


def _pack(plan: BoardPlan) -> list[Part]:
    if plan.pack_pin is None or plan.pack_divider is None:
        return []
    use = f"divider of the pack, no pack above {pack_limit_v(plan.pack_divider):.1f} V"
    return [Part(f"resistor {ohm}, 1 %", 1, use) for ohm in pack_ohm(plan.pack_divider)]
