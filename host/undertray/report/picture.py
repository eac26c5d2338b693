"""A picture with everything that belongs to it: words for those who cannot see it, and its numbers."""

from __future__ import annotations

import csv
import io
import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from undertray.errors import ReductionError
from undertray.files import write_whole
from undertray.report.vector import inline_svg, plain_svg

__all__ = ["Picture", "write_pictures"]


@dataclass(frozen=True, slots=True)
class Picture:
    """One picture of a page.

    Attributes
    ----------
    key : str
        Its name, also of its files: small letters, digits, hyphens.
    title, caption : str
        Heading, and what to look for.
    words : str
        What it shows, for someone who cannot see it.
    svg : str
        As matplotlib wrote it.
    table : mapping of str to sequence
        The numbers drawn, a column each, all of one length.
    size : str
        ``wide`` needs the width of the page, ``middle`` and ``small`` stand side by side.
    """

    key: str
    title: str
    caption: str
    words: str
    svg: str
    table: Mapping[str, Any] = field(default_factory=dict)
    size: str = "wide"

    def inline(self, prefix: str = "") -> str:
        """The picture as part of a page.

        Parameters
        ----------
        prefix : str
            Sets the picture apart from others of its name on the page.

        Returns
        -------
        str
            An ``svg`` element.
        """
        return inline_svg(self.svg, f"{prefix}{self.key}-", f"{self.title}. {self.words}")

    def csv(self) -> str:
        """The numbers of the picture.

        Returns
        -------
        str
            CSV with a header; an empty field where there is no number.
        """
        stream = io.StringIO()
        writer = csv.writer(stream, lineterminator="\n")
        writer.writerow(self.table)
        writer.writerows([_field(v) for v in row] for row in zip(*self.table.values(), strict=True))
        return stream.getvalue()


def write_pictures(pictures: Sequence[Picture], folder: str | Path) -> list[Path]:
    """Write every picture as SVG and its numbers as CSV; files of the same name are replaced.

    Parameters
    ----------
    pictures : sequence of Picture
        The pictures.
    folder : str or Path
        Made if it is not there.

    Returns
    -------
    list of Path
        The files written.

    Raises
    ------
    ReductionError
        When they cannot be written.
    """
    written = []
    try:
        Path(folder).mkdir(parents=True, exist_ok=True)
        for picture in pictures:
            for ending, text in (
                ("svg", plain_svg(picture.svg, f"{picture.title}. {picture.words}")),
                ("csv", picture.csv()),
            ):
                path = Path(folder) / f"{picture.key}.{ending}"
                write_whole(path, text.encode("utf-8", "replace"))
                written.append(path)
    except OSError as error:
        raise ReductionError(f"cannot write the pictures: {error.strerror}", where=str(folder)) from error
    return written


def _field(value: Any) -> Any:
    if isinstance(value, str):
        # a spreadsheet takes a leading = + - @ for a formula
        return f"'{value}" if value[:1] in ("=", "+", "-", "@", "\t", "\r") else value
    number = float(value)
    return f"{number:.7g}" if math.isfinite(number) else ""
