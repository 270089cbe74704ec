"""A small drawing surface for figures: scales, ticks and SVG marks as text.

Colours are CSS classes of the page, so that one drawing works in light, dark and print. Nothing here knows about sets.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from html import escape

import numpy as np
import numpy.typing as npt

FloatArray = npt.NDArray[np.float64]


def nice_ticks(low: float, high: float, wanted: int = 5, *, whole: bool = False) -> list[float]:
    """Choose round tick values: steps of 1, 2, 2.5 or 5 times a power of ten.

    Args:
        low: least value of the scale.
        high: greatest value of the scale.
        wanted: approximate number of ticks.
        whole: use whole numbers only, for things that are counted.
    """
    if not (math.isfinite(low) and math.isfinite(high)) or high <= low:
        return [low]
    rough = (high - low) / max(wanted, 1)
    power = 10.0 ** math.floor(math.log10(rough))
    step = next(factor * power for factor in (1.0, 2.0, 2.5, 5.0, 10.0) if factor * power >= rough * (1 - 1e-9))
    if whole:
        step = max(1.0, float(math.ceil(step - 1e-9)))
    first = math.ceil(low / step - 1e-9)
    last = math.floor(high / step + 1e-9)
    return [round(k * step, 10) for k in range(first, last + 1)]


def tick_text(value: float, ticks: Sequence[float]) -> str:
    """Format a tick with as many decimals as all ticks of the axis need.

    Args:
        value: the tick.
        ticks: all ticks of the axis.
    """
    places = 0
    while places < 3 and any(abs(tick - round(tick, places)) > 1e-9 for tick in ticks):
        places += 1
    return f"{value:.{places}f}".replace("-", "−")


@dataclass(frozen=True, slots=True)
class Panel:
    """A rectangle with a scale on each side; maps data to the page's coordinates."""

    left: float
    top: float
    width: float
    height: float
    x_low: float
    x_high: float
    y_low: float
    y_high: float

    def x(self, value: float) -> float:
        """Page coordinate of a value on the horizontal scale."""
        return self.left + _share(value, self.x_low, self.x_high) * self.width

    def y(self, value: float) -> float:
        """Page coordinate of a value on the vertical scale; up is more."""
        return self.top + self.height - _share(value, self.y_low, self.y_high) * self.height

    @property
    def bottom(self) -> float:
        """Lower edge."""
        return self.top + self.height

    @property
    def right(self) -> float:
        """Right edge."""
        return self.left + self.width


def _share(value: float, low: float, high: float) -> float:
    """How far along a scale a value is, 0 to 1; in the middle of a scale on which all values are equal."""
    return (value - low) / (high - low) if high > low else 0.5


@dataclass(slots=True)
class Drawing:
    """Marks in drawing order, with a title and a description for people who cannot see them.

    Attributes:
        width: width, px.
        height: height, px.
        title: title of the figure.
        description: what the figure shows, in words.
        key: prefix of the ids in the drawing, unique on the page.
        marks: SVG elements, the last on top.

    Coordinates of all marks are in px from the upper left corner; ``style`` names CSS classes.
    """

    width: float
    height: float
    title: str
    description: str
    key: str
    marks: list[str] = field(default_factory=list)

    def add(self, mark: str) -> None:
        """Add an SVG element."""
        self.marks.append(mark)

    def line(self, x1: float, y1: float, x2: float, y2: float, style: str) -> None:
        """Draw a straight line.

        Args:
            x1: start, px.
            y1: start, px.
            x2: end, px.
            y2: end, px.
            style: CSS classes.
        """
        self.add(f'<line class="{style}" x1="{_c(x1)}" y1="{_c(y1)}" x2="{_c(x2)}" y2="{_c(y2)}"/>')

    def rect(self, x: float, y: float, width: float, height: float, style: str, tip: str = "") -> None:
        """Draw a rectangle.

        Args:
            x: left edge, px.
            y: upper edge, px.
            width: width, px; a negative one counts as 0.
            height: height, px; a negative one counts as 0.
            style: CSS classes.
            tip: text shown by a pointer that rests on it.
        """
        body = (
            f'<rect class="{style}" x="{_c(x)}" y="{_c(y)}" width="{_c(max(width, 0))}" height="{_c(max(height, 0))}"'
        )
        self.add(f"{body}>{_tip(tip)}</rect>" if tip else body + "/>")

    def path(self, points: Iterable[tuple[float, float]], style: str, *, close: bool = False) -> None:
        """Draw a line through points, with a gap where a point is not finite.

        Args:
            points: points (x, y), px.
            style: CSS classes.
            close: join the end to the start.
        """
        parts, pen_down = [], False
        for x, y in points:
            if not (math.isfinite(x) and math.isfinite(y)):
                pen_down = False
                continue
            parts.append(f"{'L' if pen_down else 'M'}{_c(x)} {_c(y)}")
            pen_down = True
        if parts:
            self.add(f'<path class="{style}" d="{"".join(parts)}{"Z" if close else ""}"/>')

    def text(
        self, x: float, y: float, content: str, style: str = "label", anchor: str = "start", rotate: float | None = None
    ) -> None:
        """Write a line of text.

        Args:
            x: position of the anchor, px.
            y: baseline, px.
            content: the text; it is escaped.
            style: CSS classes.
            anchor: ``start``, ``middle`` or ``end``.
            rotate: rotation about the anchor, degrees clockwise.
        """
        turn = "" if rotate is None else f' transform="rotate({rotate:g} {_c(x)} {_c(y)})"'
        self.add(f'<text class="{style}" x="{_c(x)}" y="{_c(y)}" text-anchor="{anchor}"{turn}>{escape(content)}</text>')

    def mark(self, shape: str, x: float, y: float, size: float, style: str, tip: str = "") -> None:
        """Draw a point mark.

        Args:
            shape: ``dot``, ``ring``, ``halo``, ``cross``, ``diamond``, ``square`` or ``dash``.
            x: centre, px.
            y: centre, px.
            size: half the width, px.
            style: CSS classes.
            tip: text shown by a pointer that rests on it.
        """
        s = size
        if shape in ("dot", "ring", "halo"):
            body = f'<circle class="{style} {shape}" cx="{_c(x)}" cy="{_c(y)}" r="{_c(s)}"'
        elif shape == "square":
            extent = f'width="{_c(2 * s)}" height="{_c(2 * s)}"'
            body = f'<rect class="{style} {shape}" x="{_c(x - s)}" y="{_c(y - s)}" {extent}'
        else:
            west, east, north, south, middle, centre = (_c(v) for v in (x - s, x + s, y - s, y + s, x, y))
            d = {
                "cross": f"M{west} {north}L{east} {south}M{west} {south}L{east} {north}",
                "diamond": f"M{middle} {north}L{east} {centre}L{middle} {south}L{west} {centre}Z",
                "dash": f"M{west} {centre}L{east} {centre}",
            }[shape]
            body = f'<path class="{style} {shape}" d="{d}"'
        self.add(f"{body}>{_tip(tip)}</{body[1:].split(' ', 1)[0]}>" if tip else body + "/>")

    def axis_y(self, panel: Panel, label: str, *, wanted: int = 4, whole: bool = False) -> None:
        """Draw grid lines with numbers on the left and the label above them.

        Args:
            panel: panel to draw in.
            label: quantity and unit; empty for none.
            wanted: approximate number of ticks.
            whole: use whole numbers only.
        """
        ticks = nice_ticks(panel.y_low, panel.y_high, wanted, whole=whole)
        for tick in ticks:
            y = panel.y(tick)
            self.line(panel.left, y, panel.right, y, "grid")
            self.text(panel.left - 6, y + 3.5, tick_text(tick, ticks), "tick", "end")
        if label:
            self.text(panel.left, panel.top - 8, label, "axis")

    def axis_x(self, panel: Panel, label: str, *, wanted: int = 8, counted_to: int | None = None) -> None:
        """Draw a base line with numbers under the panel and the label at the right.

        Args:
            panel: panel to draw in.
            label: quantity and unit; empty for none.
            wanted: approximate number of ticks.
            counted_to: for things that are counted, their number: ticks are then whole numbers from 1.
        """
        if counted_to is None:
            ticks = nice_ticks(panel.x_low, panel.x_high, wanted)
        else:
            ticks = [tick for tick in nice_ticks(0, counted_to, wanted, whole=True) if tick > 0] or [1.0]
        self.line(panel.left, panel.bottom, panel.right, panel.bottom, "base")
        for tick in ticks:
            x = panel.x(tick)
            self.line(x, panel.bottom, x, panel.bottom + 4, "base")
            self.text(x, panel.bottom + 17, tick_text(tick, ticks), "tick", "middle")
        if label:
            self.text(panel.right, panel.bottom + 33, label, "axis", "end")

    def svg(self) -> str:
        """Return the drawing as an inline SVG element; the page around it has the styles."""
        return f"<svg {self._head()}{''.join(self.marks)}</svg>"

    def document(self, style: str) -> str:
        """Return the drawing as a self-contained SVG file.

        Args:
            style: style sheet for the classes of the marks, and for ``paper``, the background.
        """
        size = f'xmlns="http://www.w3.org/2000/svg" width="{_c(self.width)}" height="{_c(self.height)}"'
        ground = f'<rect class="paper" width="{_c(self.width)}" height="{_c(self.height)}"/>'
        marks = "\n".join(self.marks)
        return f"<svg {size} {self._head()}<style>{style}</style>{ground}\n{marks}\n</svg>\n"

    def _head(self) -> str:
        """Make the attributes of the element, its title and its description."""
        title, description = f"{self.key}-title", f"{self.key}-text"
        return (
            f'viewBox="0 0 {_c(self.width)} {_c(self.height)}" role="img" '
            f'aria-labelledby="{title} {description}">'
            f'<title id="{title}">{escape(self.title)}</title>'
            f'<desc id="{description}">{escape(self.description)}</desc>'
        )


def thin_out(t: FloatArray, y: FloatArray, buckets: int) -> tuple[FloatArray, FloatArray]:
    """Reduce a line to fewer points that look the same: the least and greatest of each bucket, in order of time.

    Args:
        t: times, increasing, shape (n,).
        y: values, shape (n,).
        buckets: number of columns of the drawing.

    Returns:
        times and values, at most two per bucket; unchanged when there are no more than that.
    """
    n = t.size
    if n <= 2 * buckets:
        return t, y
    edges = np.linspace(0, n, buckets + 1).astype(int)
    keep: list[int] = []
    for a, b in itertools.pairwise(edges.tolist()):
        piece = y[a:b]
        if np.isnan(piece).all():
            keep.append(a)
            continue
        keep += sorted({a + int(np.nanargmin(piece)), a + int(np.nanargmax(piece))})
    index = np.asarray(keep)
    return t[index], y[index]


def _c(value: float) -> str:
    return f"{value:.1f}".removesuffix(".0")


def _tip(text: str) -> str:
    return f"<title>{escape(text)}</title>"
