"""A run as a plain table, for other programs."""

from __future__ import annotations

from pathlib import Path

import pandas as pd

from undertray.acquire.clock import board_time
from undertray.acquire.runlog import Run
from undertray.errors import RunLogError

__all__ = ["export_run", "table_of"]


def table_of(run: Run) -> pd.DataFrame:
    """Turn a run into a table, one row a sample slot.

    Parameters
    ----------
    run : Run
        A run log in memory.

    Returns
    -------
    pandas.DataFrame
        ``t_s`` (board time since the first row, s), ``segment``, ``seq``, ``throttle_us``,
        ``flags``, and the raw counts of each pressure column. Whole numbers stay whole; what
        the board did not send is empty.
    """
    time = board_time(run)
    columns: dict[str, object] = {
        "t_s": time.t_s.round(9),
        "segment": time.segment,
        "host_us": run.host_us,
        "seq": run.seq,
        "throttle_us": pd.Series(run.throttle_us).astype("Int64"),
        "flags": run.flags,
    }
    for i, name in enumerate(run.columns):
        columns[name] = pd.Series(run.counts[:, i]).astype("Int64")
    return pd.DataFrame(columns)


def export_run(run: Run, path: Path) -> int:
    """Write a run as CSV or Parquet, by the ending of the name.

    Parameters
    ----------
    run : Run
        A run log in memory.
    path : Path
        ``.csv`` or ``.parquet``; must not exist.

    Returns
    -------
    int
        Rows written.

    Raises
    ------
    RunLogError
        When the ending is another, the file exists or cannot be written, or Parquet is asked
        for and the package pyarrow is not installed.
    """
    ending = path.suffix.lower()
    if ending not in (".csv", ".parquet"):
        raise RunLogError(
            "cannot tell the format", where=str(path), expected="a name that ends in .csv or .parquet"
        )
    table = table_of(run)
    try:
        with path.open("xb") as file:
            if ending == ".csv":
                file.write(table.to_csv(index=False, lineterminator="\n").encode())
            else:
                table.to_parquet(file, index=False)
    except FileExistsError as error:
        raise RunLogError("this file exists", where=str(path), do="choose another name") from error
    except ImportError as error:
        path.unlink(missing_ok=True)
        raise RunLogError(
            "Parquet needs the package pyarrow",
            where=str(path),
            do="pip install 'undertray[parquet]', or export to .csv",
        ) from error
    except OSError as error:
        path.unlink(missing_ok=True)
        raise RunLogError(f"cannot write it ({error.strerror or error})", where=str(path)) from error
    return len(table)
