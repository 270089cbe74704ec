"""How the files of a session are named in a home folder: ``NAME.plan.toml``, and ``NAME.journal.jsonl`` beside it."""

from __future__ import annotations

from typing import Final

PLAN_END: Final = ".plan.toml"
JOURNAL_END: Final = ".journal.jsonl"
