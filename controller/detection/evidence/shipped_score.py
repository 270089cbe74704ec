"""The score of the shipped figures of the rule "habits", by itself, so that a compiled core has it compiled.

With the compiled core `score` is machine code of the same expressions (setup.py); what it says is the same.
"""

from __future__ import annotations

from ebbset.controller.detection.evidence.stall_classifier import Score, compiled
from ebbset.controller.detection.evidence.stall_habits_figures import BASELINE, RANGES, TREES

score: Score = compiled(BASELINE, TREES, len(RANGES), module=__name__)
