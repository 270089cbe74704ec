"""The short cautions shown before the first load is armed, written once for every screen and for safety.md.

Text only: the wire contract's ``cautions_shown`` records that they were shown. Sources: screening
and reasons to stop follow common exercise-prescription practice (contraindications in resistance training: open-access
review PMC10959113, table 1, seen; blood pressure near failure: MacDougall et al. 1985, J Appl Physiol 58:785-790, seen
in abstract; exertional rhabdomyolysis: PMC5491812, seen; the list of reasons to stop is common practice, no source).
They inform; they do not replace medical advice.
"""

from __future__ import annotations

import textwrap
from typing import Final

CAUTIONS: Final[tuple[str, ...]] = (
    "Know where the rig's own stop is and keep it within reach. This software is not a safety function.",
    "Do not train here if a doctor advised against it, or with chest pain, uncontrolled blood pressure, a recent "
    "operation, fracture or hernia, an aneurysm, or an eye or joint under treatment. In doubt, ask a doctor first.",
    "Sets to failure raise blood pressure a great deal, light loads too. Breathe; do not hold your breath.",
    "Stop at once (press the stop, or bring the handle to the dock) for pain in the chest or a joint, dizziness, a "
    "sudden headache, trouble seeing, numbness, or form that you cannot hold.",
    "New to this, or back after a break: few drops, few sets. Dark urine, marked swelling or weakness in the days "
    "after is an emergency: see a doctor.",
    "Nobody trains alone, nobody else is near the cable, and the load on the screen is the load you agreed to.",
)
"""One sentence or two each, in the order in which they are shown."""

HEADING: Final = "Before the first load"
CONFIRMATION: Final = "I have shown these cautions to the lifter, and the lifter agreed to go on."


def as_text(*, width: int = 100) -> str:
    """The cautions as numbered plain text, wrapped to ``width`` characters, with the heading above."""
    lines = [HEADING]
    for number, caution in enumerate(CAUTIONS, start=1):
        lines += textwrap.wrap(caution, width, initial_indent=f"{number:>2}. ", subsequent_indent="    ")
    return "\n".join(lines)
