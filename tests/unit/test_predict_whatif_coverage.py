"""An invented builder chooses between two skirts, two gaps, two sets of springs and two packs; the answers of
``undertray compare`` and ``undertray whatif`` hold the truth.

First two skirts are put on three times each, by turns. Then the builder sweeps the throttle at two gaps, on
a full and on an emptied pack, by four taps whose scale is off, with gaps read to a twentieth of a millimetre
and the skirt put on anew each time. Then the command line is asked for a third gap, more mass, and 3S or 4S,
upside down; and, on the ground, for springs of little more than half the rate. The truth is marched by
``worlds.vehicle``, which has no law of throttle, voltage or gap in it: Euler's equation of the fan, a motor,
a pack, springs that the suction closes the gap on.
"""

from __future__ import annotations

import json
import math
from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from fakes.floor_field import drawn, solve
from fakes.handlog import hand_log
from fakes.program import undertray
from worlds.builder import (
    State,
    Steady,
    builder_car,
    mounted,
    settle,
    static_gap_m,
    with_cells,
    with_gap,
)
from worlds.vehicle import CELL_V, CHARGE

G = 9.80665
FLOOR = ((-20.0, -85.0), (280.0, -85.0), (280.0, 85.0), (-20.0, 85.0))
PLACES = ((40.0, -50.0), (40.0, 50.0), (220.0, -50.0), (220.0, 50.0))
FULL_US, EMPTY_US = (1250, 1350, 1450, 1550, 1650, 1750), (1350, 1450, 1550, 1650, 1750)
TOP_US = 1750.0
WINDOW_US = np.linspace(1120, 2000, 12)
GAPS = np.array([0.0, 0.5, 1.0, 1.5, 2.0, 3.0, 4.5, 6.0])  # of the builder's first
SCALE_U95, GAP_WITHIN_MM, MU, MU_WITHIN = 0.02, 0.05, 0.9, 0.08
HEAVIER_KG, PACK_KG, SPEED_M_S = 0.12, 0.06, 8.0
RATE_HZ = 20.0
RATE_WITHIN, SOFTER = 0.08, 0.55
SKIRTS = {"brush": 1.0, "foam": 0.8}  # how much of the edge leaks
TURNS = ("brush", "foam", "foam", "brush", "brush", "foam")


class Builder:
    """One builder's car, what is noted of it, and the states that tell the truth."""

    def __init__(self, seed: int) -> None:
        self.rng = rng = np.random.default_rng([seed, 1616])
        car = builder_car(seed)
        self.mass_kg = round(car.mass_kg, 2)
        first_mm = 1e3 * static_gap_m(car)
        self.noted_mm = (round(first_mm, 2), round(1.5 * first_mm, 2))
        self.asked_mm = round(1.25 * first_mm, 2)
        empty = float(rng.uniform(0.2, 0.35))

        def set_to(noted_mm: float) -> object:
            off_mm = GAP_WITHIN_MM * rng.uniform(-1, 1)
            return mounted(with_gap(car, 1e-3 * (noted_mm + off_mm)), rng)

        self.sweeps = [set_to(self.noted_mm[0]), replace(set_to(self.noted_mm[1]), charge=empty)]
        # as full as in the runs on average, over their stretches
        volts = [np.interp(c, CHARGE, CELL_V) for c in (car.charge, empty)]
        mean = (len(FULL_US) * volts[0] + len(EMPTY_US) * volts[1]) / (len(FULL_US) + len(EMPTY_US))
        self.charge = float(np.interp(mean, CELL_V, CHARGE))
        self.off_mm, self.again = GAP_WITHIN_MM * rng.uniform(-1, 1), int(rng.integers(1 << 30))
        self.shape = Shape(seed)
        self.car, self.softer = car, float(rng.uniform(0.8, 1.2))
        self.mu = MU + MU_WITHIN * rng.uniform(-1, 1)
        self.scale = 1 + SCALE_U95 / 1.96 * rng.standard_normal()
        # what rates are off by of what the builder takes them for: those on the car, and the softer
        self.off = rng.uniform(-1, 1, 4)
        self.worn = [mounted(self.skirt(name), rng) for name in TURNS]

    def skirt(self, name: str) -> object:
        """The car with one of the skirts, as set the first time and full as in the runs on average."""
        car = with_gap(self.car, 1e-3 * self.noted_mm[0])
        edges = tuple(SKIRTS[name] * edge for edge in car.edge_m)
        return replace(car, charge=self.charge, edge_m=edges)

    def rates_n_mm(self) -> np.ndarray:
        """Rates of front and rear axle on the car, N/mm: half each of what gives its heave."""
        whole = self.car.mass_kg * (2 * math.pi * self.car.ride_hz[0]) ** 2
        return np.full(2, whole / 2e3)

    def softer_car(self) -> object:
        """The car as asked about with the softer springs."""
        stiff = (1 + RATE_WITHIN * self.off[2:].mean()) / (1 + RATE_WITHIN * self.off[:2].mean())
        hz = tuple(f * math.sqrt(SOFTER * stiff) for f in self.car.ride_hz)
        return replace(self.asked(3, self.asked_mm), ride_hz=hz)

    def asked(self, cells: int, gap_mm: float) -> object:
        """The car as asked about: the same hand and the same gauge whatever the gap."""
        set_mm = max(gap_mm + self.off_mm, 0.03)
        car = mounted(with_gap(self.car, 1e-3 * set_mm), np.random.default_rng(self.again))
        car = replace(car, charge=self.charge)
        return car if cells == 3 else with_cells(car, cells, self.softer)

    def taps_pa(self, of: Steady) -> np.ndarray:
        """What is at the taps, shape (k, 4)."""
        return of.cell_pa.mean(axis=1)[:, None] * self.shape.taps

    def states(self) -> list[State]:
        found = [State(self.sweeps[0], us) for us in FULL_US] + [State(self.sweeps[1], us) for us in EMPTY_US]
        found.append(State(replace(self.sweeps[0], charge=self.charge), TOP_US))
        for cells in (3, 4):
            found += [State(self.asked(cells, self.asked_mm), us) for us in (TOP_US, *WINDOW_US)]
            found += [State(self.asked(cells, gap * self.noted_mm[0]), TOP_US) for gap in GAPS]
        found.append(State(self.softer_car(), TOP_US))
        found += [State(car, TOP_US) for car in (*self.worn, *map(self.skirt, SKIRTS))]
        return found


class Shape:
    """How suction lies under the floor, over its mean: at the taps, and as loads of the axles."""

    def __init__(self, seed: int) -> None:
        field = solve(drawn(seed, FLOOR, cell_m=0.01))
        x_m, y_m = np.array(PLACES).T / 1e3
        self.taps = field.at(x_m, y_m) / field.mean_pa
        self.per_pa = np.array(field.axles_n(0.26)) / field.mean_pa

    def loads_n(self, of: Steady) -> np.ndarray:
        """Front and rear axle, shape (k, 2)."""
        return of.cell_pa.mean(axis=1)[:, None] * self.per_pa


def write_car(path: Path, builder: Builder, angle: int = 180) -> Path:
    taps = "".join(
        f'[[tap]]\nname = "t{i}"\ncolumn = "p{i + 1}"\nx = {x}\ny = {y}\n' for i, (x, y) in enumerate(PLACES)
    )
    path.write_text(
        f'format = 1\nname = "Snipe (invented)"\nmass = {builder.mass_kg}\n'
        "wheelbase = 260\nfront_weight = 0.5\n"
        f"floor = {[list(corner) for corner in FLOOR]}\ntyre_mu = {MU}\ntyre_mu_within = {MU_WITHIN}\n"
        f"surface_angle = {angle}\n{ride_table(builder) if angle == 0 else ''}{taps}",
        encoding="utf-8",
    )
    return path


def ride_table(builder: Builder) -> str:
    """What the builder says of the springs: what a stiff skirt would see of the sink, read with a gauge."""
    front, rear = builder.rates_n_mm() / (1 + RATE_WITHIN * builder.off[:2])
    return (
        f'[ride]\nfront_rate = "{front:.4f} N/mm"\nrear_rate = "{rear:.4f} N/mm"\n'
        f'rate_within = {RATE_WITHIN}\nfront_clearance = "9 mm"\nrear_clearance = "9 mm"\n'
        f"gap_follows = {builder.car.follow:.4f}\n"
    )


def skirt_answers(builder: Builder, of: Steady, given: tuple, folder: Path) -> tuple[dict, dict]:
    """What ``compare`` says of the two skirts, and the truth."""
    logs = []
    for place, name in enumerate(TURNS):
        notes = {"skirt": name, "mounting": str(place)}
        path = folder / f"skirt-{place}.csv"
        logs.append(write_run(path, builder, (TOP_US,), of.part(place, place + 1), notes, 10 + place))
    done = undertray("compare", *logs, *given, "--against", "brush", "--json")
    assert done.returncode == 0, done.stderr
    told = json.loads(done.stdout)
    claim = next(one for one in told["claims"] if one["what"] == "suction_pa")
    pa = builder.taps_pa(of.part(len(TURNS), len(TURNS) + 2)).mean(axis=1)
    return {"foam skirt": claim["difference"]}, {"foam skirt": float(pa[1] - pa[0])}


def spring_answers(
    builder: Builder, of: Steady, logs: list[Path], certificate: Path, folder: Path
) -> tuple[dict, dict]:
    """What ``whatif`` says of softer springs, on the ground, and the truth."""
    soft = SOFTER * builder.rates_n_mm() / (1 + RATE_WITHIN * builder.off[:2])
    # what is written on them is off by as much as what was measured of the others
    car = write_car(folder / "ground.toml", builder, 0)
    springs = f"{soft[0]:.4f} N/mm, {soft[1]:.4f} N/mm"
    words = ("--car", car, "--calibration", certificate, "--gap", builder.asked_mm, "--springs", springs)
    done = undertray("whatif", *logs, *words, "--gap-within", f"{GAP_WITHIN_MM} mm", "--json")
    assert done.returncode == 0, done.stderr
    (asked,) = json.loads(done.stdout)["asked"]
    load = dict(zip(("front", "rear"), builder.shape.loads_n(of)[0].tolist(), strict=True))
    truths = {f"soft {axle}": load[axle] for axle in load} | {"soft Pa": float(builder.taps_pa(of).mean())}
    answers = {f"soft {axle}": asked["load_n"][f"{axle} axle"] for axle in load}
    return answers | {"soft Pa": asked["suction_pa"]}, truths


def write_run(
    path: Path,
    builder: Builder,
    throttles: Sequence[float],
    of: Steady,
    notes: dict[str, str],
    hour: int = 10,
) -> Path:
    rest = round(2.5 * RATE_HZ)
    each = round(2.6 * RATE_HZ)
    throttle = np.concatenate([np.full(rest, 1000.0), np.repeat(np.asarray(throttles, float), each)])
    pa = np.concatenate([np.zeros((rest, 4)), np.repeat(builder.taps_pa(of), each, axis=0)])
    pack = np.concatenate([np.full(rest, of.rest_v[0]), np.repeat(of.pack_v, each)])
    pa = pa * builder.scale + builder.rng.normal(0, 2.0, pa.shape)
    notes = {"invented": "yes", "pack": "3S 1300 mAh", **notes}
    facts = {"started_utc": f"2026-05-02T{hour}:15:00Z", "notes": notes}
    return hand_log(path, pa, throttle, RATE_HZ, (1e3 * pack).tolist(), facts=facts)


def calibration(path: Path) -> Path:
    column = {"part": "HSC", "coefficients": [0.0, 1.0]}
    column |= {"covariance": [[0.25, 0.0], [0.0, (SCALE_U95 / 1.96) ** 2]]}
    column |= {"range_pa": [-10.0, 4000.0], "residual_sd_pa": 1.0, "points": []}
    data = {"format": 1, "made_utc": "2026-05-01T00:00:00Z", "fluid": {}, "gravity_m_s2": G}
    columns = {f"p{i}": column for i in range(1, 5)}
    path.write_text(json.dumps({**data, "uid": "0badcafe", "columns": columns}), encoding="utf-8")
    return path


def story(builder: Builder, of: Steady, folder: Path) -> dict[str, tuple[float, float, float]]:
    """Each answer as low end, truth, high end."""
    cut = np.cumsum([len(FULL_US), len(EMPTY_US), 1, *[1 + len(WINDOW_US), len(GAPS)] * 2, 1, len(TURNS) + 2])
    parts = [
        Steady(of.cell_pa[a:b], of.pack_v[a:b], of.rest_v[a:b])
        for a, b in zip([0, *cut[:-1]], cut, strict=True)
    ]
    logs = [
        write_run(
            folder / f"sweep-{i}.csv", builder, us, parts[i], {"gap": f"{builder.noted_mm[i]} mm"}, 16 + i
        )
        for i, us in enumerate((FULL_US, EMPTY_US))
    ]
    given = ("--car", write_car(folder / "car.toml", builder), "--calibration")
    certificate = calibration(folder / "calibration.json")
    given = (*given, certificate)
    skirts = skirt_answers(builder, parts[8], given, folder)
    springs = spring_answers(builder, parts[7], logs, certificate, folder)
    given = (*given, "--gap", builder.asked_mm)
    given = (*given, "--gap-within", f"{GAP_WITHIN_MM} mm", "--mass", f"+{1e3 * HEAVIER_KG:g} g")
    given = (*given, "--pack", "3S", "--pack", f"4S +{1e3 * PACK_KG:g} g", "--to-speed", SPEED_M_S)
    done = undertray("whatif", *logs, *given, "--json")
    assert done.returncode == 0, done.stderr
    found = json.loads(done.stdout)
    need_n = builder.mass_kg * G / 2
    loads = builder.shape.loads_n(parts[2])[0]
    truths = skirts[1] | springs[1] | {"now front": loads[0] - need_n, "now rear": loads[1] - need_n}
    truths["now Pa"] = float(builder.taps_pa(parts[2]).mean())
    least_now = loads.min() - need_n
    answers = skirts[0] | springs[0]
    answers |= {
        "now front": found["now"]["margin_n"]["front axle"],
        "now rear": found["now"]["margin_n"]["rear axle"],
        "now Pa": found["now"]["suction_pa"],
    }
    least = []
    for k, (cells, more_kg) in enumerate(((3, HEAVIER_KG), (4, HEAVIER_KG + PACK_KG))):
        top, gaps = parts[3 + 2 * k], parts[4 + 2 * k]
        weight_n = (builder.mass_kg + more_kg) * G
        out, name = found["asked"][k], f"{cells}S"
        loads = builder.shape.loads_n(top)
        whole = float(loads[0].sum())
        margins = loads - weight_n / 2
        truths |= {f"{name} front": margins[0, 0], f"{name} rear": margins[0, 1]}
        answers |= {f"{name} {axle}": out["margin_n"][f"{axle} axle"] for axle in ("front", "rear")}
        least.append(float(margins[0].min()))
        truths[f"{name} gain"], answers[f"{name} gain"] = least[k] - least_now, found["gain_n"][k]
        # between the states that were marched the least margin is all but straight
        truths[f"{name} from"] = _where(WINDOW_US, margins[1:].min(axis=1))
        answers[f"{name} from"] = out["holds_from_us"]
        over = (builder.shape.loads_n(gaps) - weight_n / 2).min(axis=1)
        truths[f"{name} gap"] = _where(GAPS * builder.noted_mm[0], -over)
        answers[f"{name} gap"] = out["largest_gap_mm"]
        grip_n = builder.mu * (whole - weight_n)
        truths[f"{name} lateral"], answers[f"{name} lateral"] = max(grip_n, 0) / weight_n, out["lateral_g"]
        seconds = SPEED_M_S * weight_n / G / grip_n if grip_n > 0 else math.inf
        truths[f"{name} time"], answers[f"{name} time"] = seconds, out["to_speed"][0]["surface_s"]
    # with the 3S pack and the same mass less the pack: its least margin; so much heavier may the 4S be
    three, four = (builder.shape.loads_n(parts[k])[0] for k in (3, 5))
    light_kg = builder.mass_kg + HEAVIER_KG
    target = three.min() - light_kg * G / 2
    truths["break-even"] = float((four.min() - target) / (G / 2)) - light_kg
    answers["break-even"] = found["break_even_kg"][1]
    return {
        name: (_end(answers[name]["low"], -math.inf), truth, _end(answers[name]["high"], math.inf))
        for name, truth in truths.items()
    }


def _end(value: float | None, none: float) -> float:
    return none if value is None else value


def _where(at: np.ndarray, margin: np.ndarray) -> float:
    """Where a rising margin is 0; the first place if it always is above, infinite if never."""
    if margin[0] >= 0:
        return float(at[0])
    return float(np.interp(0.0, margin, at)) if margin[-1] > 0 else math.inf


def covered(seeds: range, folder: Path) -> dict[str, float]:
    """How many of the stories each answer's interval holds the truth in."""
    builders = [Builder(seed) for seed in seeds]
    states = [one.states() for one in builders]
    of = settle([state for one in states for state in one])
    ends = np.cumsum([len(one) for one in states])
    found = []
    for builder, a, b in zip(builders, [0, *ends[:-1]], ends, strict=True):
        found.append(story(builder, of.part(a, b), folder))
    return {name: float(np.mean([_holds(*one[name]) for one in found])) for name in found[0]}


def _holds(low: float, truth: float, high: float) -> bool:
    return low <= truth <= high


@pytest.mark.statistics
def test_the_answers_hold_the_truth_in_a_few_draws(tmp_path: Path) -> None:
    found = covered(range(900, 904), tmp_path)
    # of 4 draws at 95 %, 1 and fewer come in 1 of 2000 (binomial), for some 25 answers
    assert min(found.values()) >= 2 / 4, found
    assert sum(found.values()) / len(found) >= 0.85, found


@pytest.mark.statistics
def test_the_answers_hold_the_truth_in_200_draws(tmp_path: Path) -> None:
    found = covered(range(1000, 1200), tmp_path)
    print(found)
    assert {name: share for name, share in found.items() if share < 0.90} == {}
    # at a true 98 % 199 and more of 200 come in 9 of 100 cases (binomial). Pinned: the throttle from which a
    # 4S pack holds, 99.5 %: what was assumed of other cells and of voltage matters less than elsewhere
    assert {name: share for name, share in found.items() if share > 0.99 and name != "4S from"} == {}
