"""The terminal as this program writes to it: what others wrote is shown, never obeyed.

Names and texts come from files and from the wire. A terminal takes some of their characters for commands, or turns the
direction of a line by them.
"""

from __future__ import annotations

from collections.abc import Iterable
from typing import Any

from rich.console import Console, ConsoleOptions, RenderableType
from rich.segment import Segment

from ebbset.models.contract.formatting import visible


class Terminal(Console):
    """A rich console that shows such characters as ``\\uXXXX``; colours and the cursor are still rich's own.

    Args:
        options: as for `rich.console.Console`.
    """

    def __init__(self, **options: Any) -> None:
        super().__init__(**{"highlight": False, "emoji": False, **options})

    def render(self, renderable: RenderableType, options: ConsoleOptions | None = None) -> Iterable[Segment]:
        """Render as rich does, with the text of each segment made visible.

        Args:
            renderable: what to show.
            options: size and style; those of this console when left out.
        """
        for segment in super().render(renderable, options):
            yield segment if segment.control else Segment(visible(segment.text), segment.style)
