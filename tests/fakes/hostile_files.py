"""Cars, calibrations, board descriptions and calibration points by a stranger."""

from __future__ import annotations

import json
from typing import Any

from fakes.stranger import Stranger, to_json, to_toml, toml_key

__all__ = [
    "board_json",
    "calibration_json",
    "car_toml",
    "car_tree",
    "gaps_csv",
    "journal",
    "points_csv",
    "reference_json",
]

_BOM = b"\xef\xbb\xbf"
_CAR = """{"format": 1, "name": "Hostile 10", "mass": 2.9, "wheelbase": 262, "front_weight": 0.54,
 "floor": [[-45, -85], [295, -85], [295, 85], [-45, 85]], "tyre_mu": 0.9, "allowance": 0.25,
 "surface_angle": 180, "load": "cells", "tap": []}"""
_HOLLOW = "[[-45, -85], [100, -55], [295, -85], [295, 85], [100, 65], [-45, 85]]"
_TUBES = """{"tube_length": 300, "tube_bore": 1.5, "sensor_volume": 200, "driven": "rear", "skirt_travel": 3,
 "target_speed": "100 km/h"}"""
_FAN = """{"curve": [["0 Pa", "20 L/s"], ["500 Pa", "15 L/s"], ["1.5 kPa", "0.001 m3/s"]], "idle": "1000 us",
 "full": "2000 us", "pack": "8.2 V"}"""
_RIDE = """{"front_rate": "6 N/mm", "rear_rate": "40 lbf/in", "rate_within": 0.1, "front_clearance": "3 mm",
 "rear_clearance": "0.11 in", "clearance_within": "0.1 mm", "skirt_area": "9000 mm2", "skirt_preload": "2 N",
 "skirt_rate": "0.4 N/mm", "skirt_lever": 0.5, "rate_of": "wheel"}"""
_TOML_LINES = [
    *("[", "a.b.c = 1", "x = " + "[" * 200, "x = 07:32:00", "[a]\n[a]", "tap = 1", "[fan.fan]", 'x = """'),
    "x=" + "9" * 5000,
]
_COLUMN = """{"part": "HSC", "range_pa": [-10.0, 1400.0], "residual_sd_pa": 2.1, "hysteresis_pa": 3.0,
 "repeatability_pa": 1.2, "linearity_pa": 2.0, "coverage_factor": 2.0, "chi_squared": 4.4, "p_value": 0.9,
 "degrees_of_freedom": 13, "scale": 0.6, "from_scatter": false, "curve_p_value": 0.7, "working_pa": 1300.0,
 "u_reading_pa": 2.6, "nominal_accuracy_pa": 20.0, "nominal_accuracy_known": true,
 "sources_pa": {"reading of the column": 2.6, "zero": 1.7}}"""
_CALIBRATION = """{"format": 1, "made_utc": "2026-05-01T09:00:00Z", "gravity_m_s2": 9.80801,
 "fluid": {"name": "water", "temperature_c": 21.0, "density_kg_m3": 997.995, "air_density_kg_m3": 1.19,
 "pa_per_mm": 9.7766, "gain": 1.0}}"""
_RECKONED = ("coefficients", "covariance", "range_pa", "residual_sd_pa", "hysteresis_pa", "shared", "points")
_BOARD = """{"format": 1, "name": "hostile board", "rate_hz": 200, "autostart": true,
 "buses": [{"bus": 0, "sda_pin": 4, "scl_pin": 5, "freq_khz": 400}], "muxes": [], "columns": [],
 "throttle": {"pin": 16, "direction": "input", "reader": "pio", "shortest_us": 800, "longest_us": 2200,
  "idle_us": 1000, "throttle_max_us": 1700, "frame_hz": 50},
 "alarm": {"led_pin": 25, "buzzer_pin": 18, "alarm_pa": 720, "alarm_drop_pa": 400, "hysteresis_pa": 100,
  "throttle_up_us": 1200, "spin_up_ms": 1500, "hold_ms": 500},
 "pack": {"adc_pin": 26, "divider": 6.1, "correction": 1.0}, "store": {"at_boot": false}}"""
_PARTS = """[{"part": "HSC", "range": "040MD", "transfer": "A"}, {"part": "SSC", "range": "2.5KD"},
 {"part": "ABP2", "range": "010ND"}, {"part": "MS4525DO", "range": "001DP"},
 {"part": "MS5525DSO", "range": "001DS", "osr": 1024}, {"part": "DLH", "range": "L10D", "average": 2},
 {"part": "DLHR", "range": "L20D", "bits": 18}, {"part": "DLVR", "range": "L10D"},
 {"part": "SDP3x", "range": "1500Pa"}, {"part": "SDP8xx", "range": "500Pa"},
 {"part": "MPXV7002DP", "adc_pin": 27, "divider": 1.5, "reads": 16,
  "supply_mv": 5000, "reference_mv": 3300}]"""
_REFERENCE = """{"format": 1, "car": "Hostile 10", "runs": ["one", "two"], "idle_us": 1000.0,
 "top_us": 1700.0, "top_pa": 1400.0, "exponent": 2.0, "pack_mv": 8200.0, "levels": 3, "seconds": 20.0,
 "misfit": 0.01, "lag_up_s": 0.1, "lag_down_s": 0.3}"""
_JOURNAL_HEAD = """{"undertray-session": 1, "uid": "e6614103e7452d2f", "columns": ["p1", "p2"],
 "parts": ["HSC", "HSC"]}"""
_CSV_LINES = ["# remark", '"', "", '"a\n', ",,,", "x" * 200_000, "\x00", "# " + "y" * 3000]


def car_tree(s: Stranger, spoiled: int, columns: int = 4) -> dict[str, Any]:
    """A car of some taps; with 0 places spoiled any reader has to take it."""
    tree: dict[str, Any] = json.loads(_CAR)
    tree["mass"], tree["surface_angle"] = s.pick(2.9, "6.4 lb", "29 N"), s.pick(180, 90, 0, 45)
    tree["front_weight"], tree["load"] = s.pick(0.54, 0, 1), s.pick("cells", "cells", "linear", "areas")
    tree["floor"] = json.loads(_HOLLOW) if s.chance(0.3) else tree["floor"]
    taps = tree["tap"]
    count = s.rng.randint(1, min(columns, 16))
    for i in range(count):
        place = {"x": 20 + 240 * (i // 2) / max(1, (count - 1) // 2), "y": -40 if i % 2 else 40}
        taps.append({"name": f"tap-{i + 1}", "column": f"p{i + 1}", **place})
        if tree["load"] == "areas":
            taps[-1]["area"] = 9000
    if s.chance(0.3):
        tree |= json.loads(_TUBES)
    if s.chance(0.3):
        tree["fan"] = json.loads(_FAN)
    if s.chance(0.3):
        tree["ride"] = json.loads(_RIDE)
    if spoiled and s.chance(0.5):
        return dict(s.spoil(tree, spoiled))
    for _ in range(spoiled):  # the corners and places, where geometry is at stake
        if s.chance(0.5):
            s.rng.choice(tree["floor"])[s.rng.randrange(2)] = s.number()
        else:
            s.rng.choice(taps)[s.pick("x", "y", "area")] = s.number()
    return tree


def car_toml(seed: int, spoiled: int | None = None, columns: int = 4) -> bytes:
    """A ``car.toml``."""
    s = Stranger(seed)
    tree = car_tree(s, s.pick(0, 1, 1, 1, 2, 4) if spoiled is None else spoiled, columns)
    tables = {key: tree.pop(key) for key in ("fan", "ride", "tap") if _is_table(tree.get(key))}
    lines = [f"{toml_key(k)} = {to_toml(v)}" for k, v in tree.items()]
    for key, value in tables.items():
        for one in [value] if isinstance(value, dict) else value:
            lines.append(f"[{key}]" if isinstance(value, dict) else f"[[{key}]]")
            lines += [f"{toml_key(k)} = {to_toml(v)}" for k, v in one.items()]
    if spoiled != 0 and s.chance(0.1) and lines:
        lines.insert(s.rng.randrange(len(lines)), s.pick(*_TOML_LINES, s.rng.choice(lines)))
    data = "\n".join([*lines, ""]).encode("utf-8", "replace")
    data = _BOM + data if s.chance(0.05) else data  # as some editors write it: fine
    return data.replace(b"\n", b"\r\n") if s.chance(0.05) else data


def _is_table(value: Any) -> bool:
    return isinstance(value, dict) or (
        bool(value) and isinstance(value, list) and all(isinstance(v, dict) for v in value)
    )


def calibration_json(seed: int, spoiled: int | None = None, columns: int = 4) -> bytes:
    """A ``calibration.json``."""
    s = Stranger(seed)
    found = {f"p{i + 1}": _calibrated(s) for i in range(columns)}
    tree = {**json.loads(_CALIBRATION), "uid": s.pick("e6614103e7452d2f", "", "other"), "columns": found}
    times = s.pick(1, 1, 2, 3, 6) if spoiled is None else spoiled
    if s.chance(0.4):  # the numbers that are reckoned with
        for _ in range(times):
            column, key = s.rng.choice(list(found.values())), s.rng.choice(_RECKONED)
            whole = s.chance(0.3) or not isinstance(column[key], list | dict)
            column[key] = s.number() if whole else s.spoil(column[key], 2)
    else:
        s.spoil(tree, times)
    text = to_json(tree, s.chance(0.5))
    if times and s.chance(0.1):
        broken = (
            '{"format":1,' + text[1:],
            text + text,
            text[:-1],
            f"[{text}]",
            "[" * 10_000,
            "null",
            "1",
            '"x"',
        )
        text = s.pick(*broken)
    data = text.encode("utf-8", "replace")
    return _BOM + data if s.chance(0.03) else data


def _calibrated(s: Stranger) -> dict[str, Any]:
    size = s.pick(2, 2, 3)
    root = [s.rng.uniform(0.2, 1.5), s.rng.uniform(0.001, 0.004), s.rng.uniform(1e-7, 1e-6)][:size]
    points = [
        {
            **{"height_mm": 20.0 * k, "direction": "up", "nominal_pa": 196.0 * k, "column_pa": 195.6 * k},
            **{"residual_pa": 0.4, "u_pa": 3.0, "standardised_residual": 0.1},
        }
        for k in range(s.pick(0, 3, 7))
    ]
    return {
        **json.loads(_COLUMN),
        "coefficients": [s.rng.uniform(-15, 15), s.rng.uniform(0.97, 1.03), 1e-6][:size],
        "covariance": [
            [a * b * (1.0 if j == k else 0.1) for k, b in enumerate(root)] for j, a in enumerate(root)
        ],
        "shared": {"zero": [1.7, 0.0, 0.0][:size], "ruler": [0.0, 3e-4, 0.0][:size]},
        "points": points,
        **({"course_u_pa": [s.rng.uniform(0, 5) for _ in range(11)]} if s.chance(0.5) else {}),
    }


def reference_json(seed: int) -> bytes:
    """What the fans give on a good skirt."""
    s = Stranger(seed)
    text = to_json(s.spoil(json.loads(_REFERENCE), s.pick(0, 1, 1, 2, 4)), s.chance(0.5))
    text = s.pick(text + text, "[" * 5000, "null", text[:-1]) if s.chance(0.05) else text
    return text.encode("utf-8", "replace")


def drag_json(seed: int) -> bytes:
    """What pulls along the surface told."""
    s = Stranger(seed)
    names = ["moving.free.level_n", "moving.free.per_n", "moving.locked.level_n", "moving.locked.per_n"]
    values = [0.65, 0.104, 15.7, 0.777, 1.0, 0.5]
    own = [[(0.03 * v) ** 2 if i == j else 0.0 for j in range(6)] for i, v in enumerate(values)]
    drag = {"format": 1, "kind": "undertray drag", "car": "Heron (invented)", "run": "x", "weight_n": 19.6}
    drag |= {
        "calibrated": True,
        "notices": [],
        "numbers": dict(zip([*names, "suction_scale", "rolling_share"], values, strict=True)),
    }
    drag["pulls"] = [
        {"kind": "moving", "wheels": wheels, "pulls": 8, "low_n": 0.0, "high_n": 69.0}
        for wheels in ("free", "locked")
    ]
    drag["scatter"] = [{"covariance": own, "dof": s.pick(4.0, 12.0, None)}]
    drag["shared"] = {"balance": [0.01 * v for v in values], "rolling": [0.0, 0.0, 0.0, 0.0, 0.0, 0.29]}
    text = to_json(s.spoil(drag, s.pick(0, 0, 1, 1, 2)), s.chance(0.5))
    text = s.pick(text + text, "[" * 5000, "null", text[:-1]) if s.chance(0.05) else text
    return text.encode("utf-8", "replace")


def journal(seed: int) -> bytes:
    """The journal of a guided calibration, as it stands after some points."""
    s = Stranger(seed)
    heights = [0.0, 20.0, 60.0, 100.0, 60.0, 20.0, 0.0]
    head = json.loads(_JOURNAL_HEAD) | {"heights_mm": heights, "upward": [k < 4 for k in range(len(heights))]}
    lines: list[Any] = [head]
    for step, height in enumerate(heights[: s.pick(0, 2, 7, 7, 7, 7)]):
        read = [9.8 * height * gain for gain in (1.01, 0.98)]
        point = {"event": "point", "step": step, "height_mm": height, "nominal_pa": read, "sd_pa": [0.5, 0.5]}
        lines.append({**point, "mean_sd_pa": [0.1, 0.1], "steady": True, "doubts": ["", "kinked"]})
    if s.chance(0.3):
        lines.append({"event": "drop", "point": 0, "reason": "slip", "again": s.chance(0.5)})
    if s.chance(0.2):
        lines.append({"event": "skip", "step": len(lines) - 1, "reason": "enough"})
    s.spoil(lines, s.pick(0, 0, 1, 1, 2, 4))
    text = "\n".join(to_json(line, s.chance(0.5)) for line in lines) + "\n"
    data = text.encode("utf-8", "replace")
    return data[: s.rng.randrange(len(data) + 1)] if s.chance(0.1) else data


def board_json(seed: int, spoiled: int | None = None) -> bytes:
    """A ``board.json``."""
    s = Stranger(seed)
    tree: dict[str, Any] = json.loads(_BOARD)
    parts = json.loads(_PARTS)
    for i in range(s.pick(1, 2, 4, 4, 8)):
        column: dict[str, Any] = dict(s.rng.choice(parts[:1] if s.chance(0.6) else parts))
        if "adc_pin" not in column:
            own = f"0x{0x28 + 0x10 * (i % 5):02x}"
            column |= {"bus": 0, "address": s.pick(own, own, own, "0x28", "0x76", "0x21", "0x25")}
            column |= {"mux": ["0x70", i % 8]} if s.chance(0.2) else {}
        tree["columns"].append({**column, "port": s.pick("low", "high"), "note": "front left"})
    tree["muxes"] = [{"bus": 0, "address": "0x70", "reset_pin": 9}] if s.chance(0.6) else []
    tree["throttle"]["direction"] = s.pick("input", "output")
    times = s.pick(0, 1, 1, 2, 3, 6) if spoiled is None else spoiled
    text = to_json(s.spoil(tree, times), s.chance(0.5))
    if times and s.chance(0.1):
        broken = (
            '{"format":1,' + text[1:],
            text + text,
            text[:-1],
            "[" * 5000,
            "{" * 5000,
            "null",
            "1",
            '"x"',
            "[]",
        )
        text = s.pick(*broken, text + " " * 70_000)
    data = text.encode("utf-8", "replace")
    return _BOM + data if s.chance(0.03) else data


def points_csv(seed: int) -> bytes:
    """A ``points.csv``."""
    s = Stranger(seed)
    columns, top = s.pick(1, 2, 4, 16), s.pick(1, 3, 6, 12)
    heights = [20.0 * k for k in (*range(top + 1), *range(top - 1, -1, -1))]
    gains, noise = (
        [s.pick(1.0, 1.0, 1.02, 0.95, -1.0, 0.0) for _ in range(columns)],
        s.pick(0.0, 0.5, 3.0, 100.0),
    )
    table: list[list[str]] = [["height_mm", "direction", *(f"p{i + 1}_pa" for i in range(columns))]]
    for k, height in enumerate(heights):
        read = (f"{9.78 * height * gain + s.rng.gauss(0, 1) * noise:.2f}" for gain in gains)
        table.append([f"{height:g}", "up" if k <= top else "down", *read])
    for _ in range(s.pick(0, 1, 1, 2, 4, 8)):
        _spoil_table(s, table, columns)
    lines = [",".join(_field(s, v) for v in row) for row in table]
    if s.chance(0.1):
        lines.insert(s.rng.randint(0, len(lines)), s.rng.choice(_CSV_LINES))
    data = "\n".join([*lines, ""]).encode("utf-8", "replace")
    return _BOM + data if s.chance(0.05) else data


def pulls_csv(seed: int) -> bytes:
    """A file of pulls for the force check."""
    s = Stranger(seed)
    head = [s.pick("at_s", "throttle_us"), s.pick("pull_n", "pull_n", "pull_kgf", "pull_lbf")]
    places = (2.0, 3.5, 5.0, 8.0) if head[0] == "at_s" else (1700.0, 1600.0, 1500.0, 1300.0)
    rows = s.rng.randint(1, 4)
    table: list[list[str]] = [head, *([f"{at:g}", f"{s.rng.uniform(1, 90):.2f}"] for at in places[:rows])]
    if s.chance(0.6):  # along the surface
        head += ["kind", "wheels", "load_n"]
        table = [head]
        for at in places * s.pick(1, 3, 3, 6):
            kind = s.pick("off", "moving", "moving", "breakaway")
            wheels = s.pick("free", "free", "locked", "locked", "none" if kind != "off" else "free")
            alone = wheels == "none"
            row = ["" if alone else f"{at:g}", f"{s.rng.uniform(1, 90):.2f}", kind, wheels]
            table.append([*row, f"{s.rng.uniform(1, 90):.2f}" if alone else ""])
    for _ in range(s.pick(0, 0, 1, 1, 3)):
        _spoil_table(s, table, 1)
    data = "\n".join([*(",".join(_field(s, v) for v in row) for row in table), ""]).encode("utf-8", "replace")
    return _BOM + data if s.chance(0.05) else data


def gaps_csv(seed: int) -> bytes:
    """A file of gaps read with feeler gauges."""
    s = Stranger(seed)
    head = [s.pick("throttle_us", "suction_pa", "suction_inh2o"), "axle", s.pick("gap_mm", "gap_in")]
    place = {"throttle_us": 1700.0, "suction_pa": 900.0, "suction_inh2o": 3.6}[head[0]]
    table: list[list[str]] = [head]
    for _ in range(s.rng.randint(1, 4)):
        table.append([f"{place:g}", s.pick("front", "rear"), f"{s.rng.uniform(0, 3):.2f}"])
    for _ in range(s.pick(0, 0, 1, 1, 3)):
        _spoil_table(s, table, 1)
    data = "\n".join([*(",".join(_field(s, v) for v in row) for row in table), ""]).encode("utf-8", "replace")
    return _BOM + data if s.chance(0.05) else data


def _spoil_table(s: Stranger, table: list[list[str]], columns: int) -> None:
    if not table:
        return
    how, row = s.rng.randrange(8), s.rng.choice(table)
    if how <= 2 and row:
        value = s.pick(
            s.number(), s.text(), "", "NaN", "inf", "-0", "1_000", "0x10", "1e-400", " 5 ", 1e308, 5e-324
        )
        row[s.rng.randrange(len(row))] = str(value)
    elif how == 3 and row:
        del row[s.rng.randrange(len(row))]
    elif how == 4:
        row.append(s.text())
    elif how == 5:
        table.remove(row)
    elif how == 6:
        table.insert(s.rng.randint(0, len(table)), list(row))
    else:  # a column by another scale
        scale, column = s.pick(0, -1, 1e-300, 1e300, 1e6, 1e-6, 1e3), s.rng.randrange(2, 2 + columns)
        for other in table[1:]:
            if len(other) > column and other[column].replace(".", "").lstrip("-").isdigit():
                other[column] = repr(float(other[column]) * scale)


def _field(s: Stranger, text: str) -> str:
    quote = any(c in text for c in ',"\n\r') or s.chance(0.02)
    return '"' + text.replace('"', '""') + '"' if quote and not s.chance(0.1) else text
