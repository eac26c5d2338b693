"""A run as a plain table, for other programs."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping
from pathlib import Path
from typing import Any, BinaryIO

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from undertray.acquire.clock import board_time
from undertray.acquire.runlog import Run
from undertray.errors import RunLogError
from undertray.files import whole_file

__all__ = ["Pressures", "export_run", "tables_of"]

Pressures = Callable[[int, int], Mapping[str, NDArray[Any]]]
"""From the first row, and the row after the last, to columns by their name."""
_ROWS = 1 << 14  # in a piece: the table of an hour is never held as a whole


def tables_of(run: Run, pressures: Pressures | None = None, rows: int = _ROWS) -> Iterator[pd.DataFrame]:
    """Turn a run into tables of some rows each, one row a sample slot."""
    time = board_time(run)
    for first in range(0, max(1, len(run.seq)), rows):
        last = min(len(run.seq), first + rows)
        piece = slice(first, last)
        columns: dict[str, object] = {
            "t_s": time.t_s[piece].round(9),
            "segment": time.segment[piece],
            "host_us": run.host_us[piece].astype(np.int64),
            "seq": run.seq[piece].astype(np.int64),
            "throttle_us": pd.Series(run.throttle_us[piece]).astype("Int64"),
            "flags": run.flags[piece].astype(np.int64),
        }
        if pressures is not None:
            columns |= pressures(first, last)
        else:
            for i, name in enumerate(run.columns):
                columns[name] = pd.Series(run.counts[piece, i]).astype("Int64")
        if run.channel_counts is not None:
            for i, name in enumerate(run.channels):
                columns[name] = pd.Series(run.channel_counts[piece, i]).astype("Int64")
        yield pd.DataFrame(columns)


def export_run(run: Run, path: Path, pressures: Pressures | None = None) -> int:
    """Write a run as CSV or Parquet, by the ending of the name."""
    write = {".csv": _write_csv, ".parquet": _write_parquet}.get(path.suffix.lower())
    if write is None:
        raise RunLogError(
            "cannot tell the format", where=str(path), expected="a name that ends in .csv or .parquet"
        )
    try:
        with whole_file(path, replace=False) as file:
            write(tables_of(run, pressures), file)
    except FileExistsError as error:
        raise RunLogError("this file exists", where=str(path), do="choose another name") from error
    except ImportError as error:
        raise RunLogError(
            "Parquet needs the package pyarrow",
            where=str(path),
            do="pip install 'undertray[parquet]', or export to .csv",
        ) from error
    except OSError as error:
        raise RunLogError(
            f"cannot write it ({error.strerror or error})",
            where=str(path),
            do="check that its folder exists and has room",
        ) from error
    return len(run.seq)


def _write_csv(tables: Iterator[pd.DataFrame], file: BinaryIO) -> None:
    for place, table in enumerate(tables):
        file.write(table.to_csv(index=False, header=place == 0, lineterminator="\n").encode())


def _write_parquet(tables: Iterator[pd.DataFrame], file: BinaryIO) -> None:
    import pyarrow as pa  # type: ignore[import-untyped]
    from pyarrow import parquet

    first = pa.Table.from_pandas(next(tables), preserve_index=False)
    with parquet.ParquetWriter(file, first.schema) as writer:
        writer.write_table(first)
        for table in tables:
            writer.write_table(pa.Table.from_pandas(table, first.schema, preserve_index=False))
