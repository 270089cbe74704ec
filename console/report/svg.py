"""A small drawing surface for figures: scales, ticks and SVG marks as text.

Colours are CSS classes of the page, so that one drawing serves light, dark and print. Nothing here knows about sets.
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
    """Round numbers from low to high, about as many as wanted: steps of 1, 2, 2.5 or 5 times a power of ten.

    With ``whole``, only whole numbers, for things that are counted.

    Args:
        low: lower end of the axis.
        high: upper end of the axis.
        wanted: number of ticks wanted.
        whole: only whole numbers.
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
    """A tick's label with as many places as its neighbours need.

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
        return self.left + (value - self.x_low) / (self.x_high - self.x_low) * self.width

    def y(self, value: float) -> float:
        """Page coordinate of a value on the vertical scale; up is more."""
        return self.top + self.height - (value - self.y_low) / (self.y_high - self.y_low) * self.height

    @property
    def bottom(self) -> float:
        """Lower edge."""
        return self.top + self.height

    @property
    def right(self) -> float:
        """Right edge."""
        return self.left + self.width


@dataclass(slots=True)
class Drawing:
    """Marks in drawing order, with a title and a description for people who do not see them."""

    width: float
    height: float
    title: str
    description: str
    key: str
    marks: list[str] = field(default_factory=list)

    def add(self, mark: str) -> None:
        """Put a raw mark on the drawing."""
        self.marks.append(mark)

    def line(self, x1: float, y1: float, x2: float, y2: float, style: str) -> None:
        """A straight line.

        Args:
            x1: left end, CSS pixels like the other coordinates.
            y1: its height, from the top.
            x2: right end.
            y2: its height, from the top.
            style: CSS class.
        """
        self.add(f'<line class="{style}" x1="{_c(x1)}" y1="{_c(y1)}" x2="{_c(x2)}" y2="{_c(y2)}"/>')

    def rect(self, x: float, y: float, width: float, height: float, style: str, tip: str = "") -> None:
        """A rectangle, with an optional tip.

        Args:
            x: left edge, CSS pixels like the other lengths.
            y: upper edge, from the top.
            width: width.
            height: height.
            style: CSS class.
            tip: text shown on hovering; empty: none.
        """
        body = (
            f'<rect class="{style}" x="{_c(x)}" y="{_c(y)}" width="{_c(max(width, 0))}" height="{_c(max(height, 0))}"'
        )
        self.add(f"{body}>{_tip(tip)}</rect>" if tip else body + "/>")

    def path(self, points: Iterable[tuple[float, float]], style: str, *, close: bool = False) -> None:
        """A line through points; a gap where one is not finite.

        Args:
            points: ``(x, y)``, CSS pixels.
            style: CSS class.
            close: join the last point to the first.
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
        """A line of text.

        Args:
            x: anchor point, CSS pixels.
            y: baseline, CSS pixels from the top.
            content: the text.
            style: CSS class.
            anchor: ``start``, ``middle`` or ``end``.
            rotate: degrees clockwise; ``None``: upright.
        """
        turn = "" if rotate is None else f' transform="rotate({rotate:g} {_c(x)} {_c(y)})"'
        self.add(f'<text class="{style}" x="{_c(x)}" y="{_c(y)}" text-anchor="{anchor}"{turn}>{escape(content)}</text>')

    def mark(self, shape: str, x: float, y: float, size: float, style: str, tip: str = "") -> None:
        """A point mark. Shapes: ``dot``, ``ring``, ``halo``, ``cross``, ``diamond``, ``square``, ``dash``.

        Args:
            shape: which mark.
            x: centre, CSS pixels.
            y: centre, CSS pixels from the top.
            size: size of the mark, CSS pixels.
            style: CSS class.
            tip: text shown on hovering; empty: none.
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
        """Hairlines and numbers on the left, the quantity above them.

        Args:
            panel: where it belongs.
            label: the quantity.
            wanted: number of ticks wanted.
            whole: only whole numbers.
        """
        ticks = nice_ticks(panel.y_low, panel.y_high, wanted, whole=whole)
        for tick in ticks:
            y = panel.y(tick)
            self.line(panel.left, y, panel.right, y, "grid")
            self.text(panel.left - 6, y + 3.5, tick_text(tick, ticks), "tick", "end")
        if label:
            self.text(panel.left, panel.top - 8, label, "axis")

    def axis_x(self, panel: Panel, label: str, *, wanted: int = 8, counted_to: int | None = None) -> None:
        """Numbers under the panel and the quantity at the right; 1, 2, 3 … where things are counted.

        Args:
            panel: where it belongs.
            label: the quantity.
            wanted: number of ticks wanted.
            counted_to: count 1 to this; ``None``: a continuous axis.
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
        """The drawing as an inline SVG element; the page around it holds the styles."""
        return f"<svg {self._head()}{''.join(self.marks)}</svg>"

    def document(self, style: str) -> str:
        """The drawing as an SVG file that stands alone.

        Args:
            style: style sheet for the classes of the marks, and for ``paper``, the ground they lie on.
        """
        size = f'xmlns="http://www.w3.org/2000/svg" width="{_c(self.width)}" height="{_c(self.height)}"'
        ground = f'<rect class="paper" width="{_c(self.width)}" height="{_c(self.height)}"/>'
        marks = "\n".join(self.marks)
        return f"<svg {size} {self._head()}<style>{style}</style>{ground}\n{marks}\n</svg>\n"

    def _head(self) -> str:
        """Attributes of the element, and its title and description for people who do not see the drawing."""
        title, description = f"{self.key}-title", f"{self.key}-text"
        return (
            f'viewBox="0 0 {_c(self.width)} {_c(self.height)}" role="img" '
            f'aria-labelledby="{title} {description}">'
            f'<title id="{title}">{escape(self.title)}</title>'
            f'<desc id="{description}">{escape(self.description)}</desc>'
        )


def thin_out(t: FloatArray, y: FloatArray, buckets: int) -> tuple[FloatArray, FloatArray]:
    """Fewer points that draw the same line: the least and greatest of each bucket, in order of time.

    Args:
        t: times, increasing, shape (n,).
        y: values, shape (n,).
        buckets: how many columns the drawing has.

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
