"""A simulated rig's messages and connection: those of every rig, its software's faults, and a test bench's topic."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

import aiomqtt

from ebbset.rig.description import RigDescription
from ebbset.rig.endpoint import RigEndpoint
from ebbset.rig.rig_connection import Callbacks, RigBroker, RigConnection
from ebbset.rig.rig_messages import Content, FrameContent, rounded
from ebbset.simulators.rig.defects import Defect, distort
from ebbset.simulators.rig.firmware import RigFirmware
from ebbset.simulators.rig.rig_segmenter import Segment

_ANNOUNCED_TOO_FAST = 2.0


class SimulatedEndpoint(RigEndpoint):
    """The messages of one boot.

    Args:
        firmware: judges commands, and says what is wrong with the messages.
        described: the rig as it is.
    """

    def __init__(self, firmware: RigFirmware, described: RigDescription) -> None:
        if firmware.defect is Defect.SLOWER_THAN_ANNOUNCED:
            described = replace(described, sample_rate_hz=described.sample_rate_hz * _ANNOUNCED_TOO_FAST)
        super().__init__(firmware, described)
        self._defect = firmware.defect

    def frame(self, content: FrameContent, *, docked: bool) -> Content:
        """A sample frame, as a rig with this defect sends it.

        Args:
            content: what the sensors showed.
            docked: what the dock sensor says at the last sample.
        """
        sent = distort(self._defect, content, target_n=self.core.target_n)
        made = super().frame(sent, docked=docked or self._defect is Defect.DOCKED_STUCK)
        return made | ({"mood": "fine"} if self._defect is Defect.UNKNOWN_FIELD else {})

    def repetition(self, seq: int, segment: Segment, *, docked: bool, applied_n: tuple[float, ...]) -> Content:
        """One repetition that the rig segmented itself.

        Args:
            seq: number of the message.
            segment: the concentric.
            docked: what the dock sensor says.
            applied_n: load applied now, N per cable.
        """
        cables = [
            {
                "rom_m": round(segment.rom_m[k], 6),
                "mean_velocity_m_s": round(segment.mean_velocity_m_s[k], 6),
                "peak_velocity_m_s": round(segment.peak_velocity_m_s[k], 6),
                "mean_force_n": segment.mean_force_n[k],
            }
            for k in range(len(segment.rom_m))
        ]
        return {
            "version": 1,
            "boot_id": self.core.boot_id,
            "seq": seq,
            "nonce": self.core.nonce,
            "docked": docked,
            "applied_n": rounded(applied_n),
            "t_start_us": segment.t_start_us,
            "t_end_us": segment.t_end_us,
            "outcome": segment.outcome.value,
            "cables": cables,
        }


class SimulatedConnection(RigConnection):
    """Keeps one simulated rig connected.

    Args:
        rig: name of the rig.
        broker: where it connects and how.
        callbacks: the rig.
        hands: gets every message on the bench topic; None: it is not subscribed.
        defect: the one thing that the rig's software does wrong; some concern the connection.
    """

    def __init__(
        self,
        rig: str,
        broker: RigBroker,
        callbacks: Callbacks,
        *,
        hands: Callable[[bytes], None] | None,
        defect: Defect | None,
    ) -> None:
        super().__init__(rig, broker, callbacks)
        self._hands = hands
        self._hands_topic = hands_topic(rig)
        self._defect = defect

    def _will(self) -> aiomqtt.Will | None:
        return None if self._defect is Defect.NO_WILL else super()._will()

    async def _subscribe(self, client: aiomqtt.Client) -> None:
        await super()._subscribe(client)
        if self._hands is not None:
            await client.subscribe(self._hands_topic, qos=1)

    def _arrived(self, topic: str, payload: bytes) -> None:
        if topic == self._hands_topic and self._hands is not None:
            self._hands(payload)
        else:
            super()._arrived(topic, payload)

    async def _announce(self, client: aiomqtt.Client, *, online: bool, retain: bool = True) -> None:
        await super()._announce(
            client, online=online, retain=retain and self._defect is not Defect.IDENTITY_NOT_RETAINED
        )


def hands_topic(rig: str) -> str:
    """The bench topic of a virtual rig: what tests publish to act as the person at it."""
    return f"ebbset-bench/v1/{rig}/hands"
