"""What a rig says about each command in its log."""

from __future__ import annotations

from typing import Any

from ebbset.rig.endpoint import JudgedCommand
from ebbset.rig.rig_core import Notice, RigCore


def log_command(log: Any, judged: JudgedCommand, core: RigCore) -> None:
    """One line for a command that was refused or moved something, none for a mere renewal.

    Args:
        log: a structlog logger.
        judged: the command and what became of it.
        core: after it.
    """
    command, reply = judged.command, judged.reply
    if judged.problem is not None:
        log.warning("bad_command", code=judged.problem.code.value, detail=judged.problem.detail)
    elif command is not None and reply is not None and reply.refusal is not None:
        log.warning("command_refused", kind=command.kind, seq=command.seq, refusal=reply.refusal.value)
    elif command is not None and judged.moved:
        log.info("command_obeyed", kind=command.kind, seq=command.seq, target_n=core.target_n)


def log_notice(log: Any, notice: Notice) -> None:
    """One line for an event.

    Args:
        log: a structlog logger.
        notice: what happened.
    """
    log.info("rig_event", kind=notice.kind.value, detail=notice.detail)
