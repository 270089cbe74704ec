"""How a service ends: the fallback unload when the core has failed, the offline state, and cancelling its tasks.

Never here: when to end; that is `serve`.
"""

from __future__ import annotations

import asyncio
from collections.abc import Collection
from typing import Final

from ebbset.controller.link.mqtt_link import Link
from ebbset.controller.messages.actions import SendArm, SendLoad, SendRelease, SendUnload, StateChanged
from ebbset.controller.messages.reasons import State
from ebbset.models.contract.controller_messages import UnloadCommand

CANCEL_AGAIN_S: Final = 0.5
_DEFAULT_LEASE_MS: Final = 1_000


class FallbackUnload:
    """Knows which set the rig is bound to and can unload it without the core."""

    def __init__(self) -> None:
        self._last: SendArm | SendLoad | None = None

    @property
    def lease_ms(self) -> int:
        """Lease of the set that the rig is bound to, milliseconds; a second when it is bound to none."""
        return _DEFAULT_LEASE_MS if self._last is None else self._last.lease_ms

    def note(self, command: SendArm | SendLoad | SendUnload | SendRelease) -> None:
        """Take note of a command that goes out."""
        if isinstance(command, SendArm | SendLoad):
            self._last = command
        elif isinstance(command, SendRelease):
            self._last = None

    def payload(self) -> bytes | None:
        """The unload command for the set that the rig is bound to; None when it is bound to none of ours."""
        last = self._last
        if last is None:
            return None
        ramp_n_per_s = last.max_ramp_n_per_s if isinstance(last, SendArm) else last.ramp_n_per_s
        message = UnloadCommand(nonce=last.nonce, seq=last.seq + 1, ramp_n_per_s=ramp_n_per_s)
        return message.model_dump_json().encode()

    async def send(self, link: Link) -> None:
        """Tell the rig to unload because a part of this program died; without a link the rig's lease does the same."""
        last, payload = self._last, self.payload()
        if last is not None and payload is not None and link.up:
            await link.command(payload, nonce=last.nonce, lease_ms=last.lease_ms)


async def cancel_until_done(tasks: Collection[asyncio.Task[None]]) -> None:
    """Cancel tasks until they are done.

    Until Python 3.12 `asyncio.wait_for` can mistake a cancellation for the end of what it waits for (cpython issue
    86296), so that a task that was cancelled once may go on.

    Args:
        tasks: all of them are done afterwards.
    """
    pending = set(tasks)
    while pending:
        for task in pending:
            task.cancel()
        _, pending = await asyncio.wait(pending, timeout=CANCEL_AGAIN_S)


def offline_state(now_us: int) -> StateChanged:
    """The state that a controller's last will reports.

    Args:
        now_us: monotonic clock of the service, microseconds.
    """
    return StateChanged(
        now_us=now_us,
        state=State.OFFLINE,
        nonce=None,
        prescription=None,
        prescription_hash=None,
        bout=0,
        target_n=(),
        applied_n=(),
        repetitions=0,
        drops=0,
        budget_spent=None,
        budget_limit=None,
        velocity_m_s=(),
        position_m=(),
    )
