"""The run log: the file of one run, read into arrays. (Reader: to come.)"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from undertray.acquire.device import Device

__all__ = ["Note", "Run", "read_run"]


@dataclass(frozen=True, slots=True)
class Note:
    """One note of the wire as the log kept it.

    Attributes
    ----------
    host_us : int
        Host time of its arrival, µs since the log was opened.
    kind : str
        ``device``, ``status``, ``reply``, ``fault`` or one this version does not know.
    data : mapping
        Its decoded JSON object.
    row : int
        How many good rows stood before it.
    """

    host_us: int
    kind: str
    data: Mapping[str, Any]
    row: int


@dataclass(frozen=True, slots=True, eq=False)
class Run:
    """A run log in memory: raw, nothing computed. n good rows, N pressure columns.

    Attributes
    ----------
    name : str
        Name of the file without its ending.
    facts : mapping
        What the ``#run`` line says.
    device : Device or None
        The last ``device`` note before the first row, or else the first after it.
    columns : tuple of str
        Names of the pressure columns, from the header line.
    host_us, seq, t_us, flags : ndarray of int64, shape (n,)
        As logged: arrival on the host in µs, slot number, raw board ticks, flag bits.
    throttle_us : ndarray of float64, shape (n,)
        Pulse width in µs, NaN where the field is empty.
    counts : ndarray of float64, shape (n, N)
        Raw counts, exact (below 2**53); NaN where the field is empty.
    notes : tuple of Note
        Every note with a good check, in order.
    bad_lines : int
        Lines that failed their check or are no line of the format: ``#bad`` lines, and rows
        of the log whose check no longer fits.
    cut_off : bool
        There is no ``#end`` line: the recording was cut off.
    end : mapping or None
        What the ``#end`` line says.
    """

    name: str
    facts: Mapping[str, Any]
    device: Device | None
    columns: tuple[str, ...]
    host_us: NDArray[np.int64]
    seq: NDArray[np.int64]
    t_us: NDArray[np.int64]
    throttle_us: NDArray[np.float64]
    flags: NDArray[np.int64]
    counts: NDArray[np.float64]
    notes: tuple[Note, ...]
    bad_lines: int
    cut_off: bool
    end: Mapping[str, Any] | None


def read_run(path: str | Path) -> Run:
    """Read a run log. (To come.)"""
    raise NotImplementedError
