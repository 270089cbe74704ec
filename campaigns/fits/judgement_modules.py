"""Source text of the modules that hold how far the estimates are trusted."""

from __future__ import annotations

from dataclasses import fields, is_dataclass
from typing import Any, Final

from ebbset.controller.estimation.judgement import Judgement


def told(value: Any, indent: str = "") -> str:
    """Source text of a figure or of a value made of figures, but for those that have a module of their own.

    Args:
        value: a number, None, or a dataclass of such.
        indent: of the line on which it begins.
    """
    if not is_dataclass(value):
        return "None" if value is None else f"{value:.4g}" if value != round(value) else f"{value:.1f}"
    rows = (f"{indent}    {f.name}={told(getattr(value, f.name), indent + '    ')},\n" for f in fields(value) if f.repr)
    return f"{type(value).__name__}(\n{''.join(rows)}{indent})"


IMPORTS: Final = """from __future__ import annotations

from typing import Final

from ebbset.controller.estimation.exercise_priors import ExercisePrior
"""
SHIPPED_HEADER: Final = f'''"""The versions of how far estimates are trusted; a recording names its own.

Written by campaigns/fits/fit_judgement.py from its tuning seed; do not edit. Simulated, not measured on people.
"""

{IMPORTS}from ebbset.controller.estimation.judgement import (
    FIRST,
    FIRST_VERSION,
    SECOND,
    SECOND_VERSION,
    VERSION,
    Judgement,
    StructuralDoubt,
)

'''
LEFT_OUT_HEADER: Final = f'''"""How far estimates are trusted by figures fitted without a family, to judge it by.

Written by campaigns/fits/fit_judgement.py from its tuning seed; do not edit. Simulated, not measured on people.
The exercise priors (`exercise_prior_figures`) were fitted on the compiled family alone, so it is never wholly left out.
"""

{IMPORTS}from ebbset.controller.estimation.judgement import Judgement, StructuralDoubt

'''


def shipped_module(judgement: Judgement) -> str:
    """Source text of the controller's module."""
    table = "JUDGEMENTS: Final = {FIRST_VERSION: FIRST, SECOND_VERSION: SECOND, VERSION: CURRENT}"
    return f"{SHIPPED_HEADER}CURRENT: Final = {told(judgement)}\n{table}\n"


def left_out_module(judgements: dict[str, Judgement]) -> str:
    """Source text of the evaluation's module."""
    body = "".join(f'    "{name}": {told(one, "    ")},\n' for name, one in judgements.items())
    return f"{LEFT_OUT_HEADER}LEFT_OUT: Final = {{\n{body}}}\n"
