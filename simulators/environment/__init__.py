"""Drop policies as a reinforcement-learning environment with Gymnasium's interface; needs the extra ``environment``.

Importing this registers `ID` with Gymnasium. A step is a stall: `drop_set` holds the environment, `observations` what
is seen, `rewards` what it is worth, `play` runs a drop policy through it. Nothing here decides about a load by itself.
"""

from __future__ import annotations

from typing import Final

import gymnasium

from ebbset.simulators.environment.drop_set import DropSetEnvironment, default_prescription
from ebbset.simulators.environment.observations import observation_of, view_of
from ebbset.simulators.environment.play import play
from ebbset.simulators.environment.rewards import REWARDS

ID: Final = "ebbset/DropSet-v0"
"""For ``gymnasium.make``; ``"ebbset.simulators.environment:" + ID`` imports this by itself."""

if ID not in gymnasium.registry:
    gymnasium.register(id=ID, entry_point="ebbset.simulators.environment.drop_set:DropSetEnvironment")

__all__ = ["ID", "REWARDS", "DropSetEnvironment", "default_prescription", "observation_of", "play", "view_of"]
