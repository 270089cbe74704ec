"""The versions of how far estimates are trusted; a recording names the one it was made with.

Written by campaigns/fits/fit_judgement.py from the tuning seed; do not edit. Simulated, not measured on people.
"""

from __future__ import annotations

from typing import Final

from ebbset.controller.estimation.judgement import FIRST, FIRST_VERSION, VERSION, Judgement

CURRENT: Final = Judgement()
JUDGEMENTS: Final = {FIRST_VERSION: FIRST, VERSION: CURRENT}
