"""``undertray score``."""

from __future__ import annotations

import json
import sys
from collections.abc import Iterator
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

if TYPE_CHECKING:
    from undertray.reduce.car import Car
    from undertray.reduce.loss import Loss
    from undertray.reduce.scoring import Score, Truth

__all__ = ["register"]

_TRUTH_BYTES = 1 << 20
_MOST_EVENTS = 10_000
_NAME = 40  # letters


def register(app: typer.Typer) -> None:
    """Add this file's commands to the program."""
    app.command("score")(_score)


def _score(
    folder: Annotated[
        Path, typer.Argument(metavar="FOLDER", help="Run logs, each RUN.csv with its RUN.truth.json.")
    ],
    car: Annotated[
        Path | None, typer.Option("--car", metavar="CAR.toml", help="The car; FOLDER/car.toml if left out.")
    ] = None,
    make: Annotated[
        int, typer.Option("--make", min=0, max=5000, help="First write this many invented runs there.")
    ] = 0,
    seconds: Annotated[
        float, typer.Option("--seconds", min=15, max=3600, help="Length of an invented run, s.")
    ] = 60.0,
    seed: Annotated[int, typer.Option("--seed", min=0, help="Seed of the first invented run.")] = 0,
    as_json: Annotated[bool, typer.Option("--json", help="Print one JSON object.")] = False,
) -> None:
    """Score the loss detector on recordings whose truth is known.

    Example: undertray score scored --make 20
    """
    from undertray.errors import ReductionError
    from undertray.files import is_folder
    from undertray.reduce.car import Car
    from undertray.reduce.scoring import score

    if make:
        from undertray.virtual.scenarios import write_recordings

        write_recordings(folder, range(seed, seed + make), seconds)
    the_car = Car.from_toml(car) if car is not None else None
    truths = sorted(folder.glob("*.truth.json")) if is_folder(folder) else []
    if not truths:
        raise ReductionError(
            "no recording with its truth",
            where=str(folder),
            expected="RUN.csv and RUN.truth.json",
            do="name another folder, or have runs made by --make 20",
        )
    runs = list(_runs(truths, folder, the_car))
    result = score(run for _, run in runs)
    each = {
        name: score(run for its, run in runs if its == name)
        for name in sorted({name for name, _ in runs if name})
    }
    plain = _plain(result) | ({"strata": {name: _plain(one) for name, one in each.items()}} if each else {})
    print(json.dumps(plain) if as_json else "\n".join([_table(result), *_each(each)]))


def _runs(
    truths: list[Path], folder: Path, car: Car | None
) -> Iterator[tuple[str, tuple[list[Truth], tuple[Loss, ...], float]]]:
    """Class of each run, and its truth, its events and its sample period."""
    from undertray.acquire.runlog import read_run
    from undertray.reduce.car import Car
    from undertray.reduce.run import reduce_run

    for number, path in enumerate(truths):
        truth, stratum = _read_truth(path)
        stem = path.name.removesuffix(".truth.json")
        own = path.with_name(stem + ".car.toml")
        the_car = car or Car.from_toml(own if own.is_file() else folder / "car.toml")
        result = reduce_run(read_run(path.with_name(stem + ".csv")), the_car)
        if number % 20 == 19:
            print(f"{number + 1} of {len(truths)} runs", file=sys.stderr)
        yield stratum, (truth, result.events, 1.0 / result.rate_hz)


def _read_truth(path: Path) -> tuple[list[Truth], str]:
    """What happened in a run, and the name of its class; empty where it has none."""
    from undertray.errors import ReductionError
    from undertray.reduce.loss import KINDS
    from undertray.reduce.scoring import Truth

    try:
        with path.open("rb") as file:
            data: Any = json.loads(file.read(_TRUTH_BYTES))
        events = data["events"][:_MOST_EVENTS]
        truth = [Truth(str(e["kind"]), float(e["onset_s"]), e.get("first_tap")) for e in events]
        stratum = data.get("stratum")
    except (OSError, ValueError, TypeError, KeyError, AttributeError, RecursionError) as error:
        raise ReductionError(
            "not a truth file", where=path.name, expected='{"events": [{"kind": ..., "onset_s": ...}]}'
        ) from error
    unknown = next((t.kind for t in truth if t.kind not in KINDS), None)
    if unknown is not None:
        raise ReductionError(
            "unknown kind of event", where=path.name, seen=unknown, expected=", ".join(KINDS)
        )
    return truth, stratum[:_NAME] if isinstance(stratum, str) else ""


def _plain(result: Score) -> dict[str, Any]:
    import dataclasses

    out = {f.name: getattr(result, f.name) for f in dataclasses.fields(result)}
    confusion = [{"true": a, "told": b, "count": n} for (a, b), n in result.confusion.items()]
    return out | {"confusion": confusion, "unmatched": dict(result.unmatched)}


def _percent(value: float | None) -> str:
    """A share as it is printed."""
    return "-" if value is None else f"{value:.1%}"


def _each(strata: dict[str, Score]) -> list[str]:
    if not strata:
        return []
    lines = ["", f"{'class of runs':42}{'runs':>5}{'found':>8}{'true':>8}{'kind':>8}"]
    return lines + [
        f"{name:42}{one.runs:5}{_percent(one.recall):>8}{_percent(one.precision):>8}{_percent(one.kind_right):>8}"
        for name, one in strata.items()
    ]


def _table(result: Score) -> str:
    def ms(value: float | None) -> str:
        return "-" if value is None else f"{value * 1e3:.1f} ms"

    lines = [
        f"{result.runs} runs",
        f"seal losses found          {_percent(result.recall)}",
        f"reported losses true       {_percent(result.precision)}",
        f"kind right, all events     {_percent(result.kind_right)}",
        f"onset off by, median       {ms(result.onset_median_s)}",
        f"onset off by, 95 %         {ms(result.onset_p95_s)}",
        f"onset in 2 samples/10 ms   {_percent(result.within)}",
        f"first tap right            {_percent(result.first_tap_right)}",
        "",
        f"{'true':14}{'told':14}{'count':>6}",
    ]
    lines += [f"{a:14}{b or '-':14}{n:6}" for (a, b), n in result.confusion.items()]
    lines += [f"{'-':14}{kind:14}{n:6}" for kind, n in result.unmatched.items()]
    return "\n".join(lines)
