"""The last gate before the wire: it derives every limit from the prescription and refuses commands that break one.

It shares only message types with the controller, through the whole chain of its imports.
"""

from __future__ import annotations

from ebbset.controller.guard.guard import Guard, Refused

__all__ = ["Guard", "Refused"]
