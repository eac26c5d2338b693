"""A sheet of SVG: boxes, lines and words, every word escaped."""

from __future__ import annotations

from collections.abc import Sequence
from html import escape

__all__ = ["INK", "Sheet"]

INK = {
    "red": "#C8102E",
    "black": "#111111",
    "orange": "#D55E00",
    "blue": "#0072B2",
    "yellow": "#9A7400",  # dark enough to be seen on white
    "grey": "#777777",
    "white": "#5B5B8A",
    "green": "#00795A",
    "violet": "#A0458A",
}
"""Colour of a wire in a drawing, by the name of its insulation; drawings also write the name."""


class Sheet:
    """A drawing under construction."""

    def __init__(self, width: int, title: str, description: str) -> None:
        self.width = width
        self.height = 0
        self._head = f"<title>{escape(title)}</title>\n<desc>{escape(description)}</desc>"
        self._parts: list[str] = []

    def box(self, x: float, y: float, width: float, height: float, lines: Sequence[str]) -> None:
        """Draw a box with words in its middle, the first line bold."""
        self._add(
            f'<rect x="{x:g}" y="{y:g}" width="{width:g}" height="{height:g}" rx="4" fill="#F4F6F8"'
            ' stroke="#222" stroke-width="1.4"/>',
            y + height,
        )
        top = y + height / 2 - 7.5 * (len(lines) - 1) + 4.5
        for place, line in enumerate(lines):
            self.text(x + width / 2, top + 15 * place, line, "middle", bold=place == 0)

    def line(
        self, points: Sequence[tuple[float, float]], colour: str, width: float = 1.8, dash: str = ""
    ) -> None:
        """Draw a line through points."""
        path = " ".join(f"{x:g},{y:g}" for x, y in points)
        dashed = f' stroke-dasharray="{dash}"' if dash else ""
        self._add(
            f'<polyline points="{path}" fill="none" stroke="{INK[colour]}"'
            f' stroke-width="{width:g}"{dashed}/>',
            max(y for _, y in points),
        )

    def dot(self, x: float, y: float, colour: str) -> None:
        """Draw the dot that says two lines are joined here."""
        self._add(f'<circle cx="{x:g}" cy="{y:g}" r="3.4" fill="{INK[colour]}"/>', y)

    def resistor(self, x: float, y: float, width: float, height: float, words: str) -> None:
        """Draw a resistor as the rectangle of IEC 60617, with its value beside it."""
        self._add(
            f'<rect x="{x:g}" y="{y:g}" width="{width:g}" height="{height:g}" fill="#FFF" stroke="#222"'
            ' stroke-width="1.4"/>',
            y + height,
        )
        if width > height:
            self.text(x + width / 2, y - 4, words, "middle")
        else:
            self.text(x + width + 5, y + height / 2 + 4, words)

    def text(
        self, x: float, y: float, words: str, anchor: str = "start", bold: bool = False, colour: str = ""
    ) -> None:
        """Write words."""
        weight = ' font-weight="bold"' if bold else ""
        fill = INK[colour] if colour else "#222"
        self._add(
            f'<text x="{x:g}" y="{y:g}" text-anchor="{anchor}" fill="{fill}"{weight}>{escape(words)}</text>',
            y,
        )

    def finish(self) -> str:
        """End the drawing."""
        height = self.height + 24
        return "\n".join(
            [
                f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {self.width} {height:g}"'
                f' width="{self.width}" height="{height:g}" role="img"'
                ' font-family="DejaVu Sans, Verdana, sans-serif" font-size="11.5">',
                self._head,
                f'<rect width="{self.width}" height="{height:g}" fill="#FFF"/>',
                *self._parts,
                "</svg>",
                "",
            ]
        )

    def _add(self, part: str, lowest: float) -> None:
        self._parts.append(part)
        self.height = max(self.height, int(lowest + 0.5))
