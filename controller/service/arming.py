"""Completing an arm request: the documents of the settings, a fresh nonce, and how tired the lifter still is.

The core draws no random number and reads no file, so the service adds here what the request itself does not bring.
Never here: whether the set may be armed, but for a profile that describes nobody; the core decides that.
"""

from __future__ import annotations

import secrets
from collections.abc import Iterable
from dataclasses import replace

from ebbset.controller.link.settings import ServeSettings
from ebbset.controller.messages.events import EarlierSet, Event, Requested, RigAnnounced
from ebbset.models.contract.prescription import Prescription
from ebbset.models.contract.profile import LifterProfile


class ArmRequests:
    """Completes arm requests from the prescription and profile of the settings.

    Args:
        settings: where prescription and profile are read from, once.

    Raises:
        BadDocumentError: prescription or profile cannot be used.
    """

    def __init__(self, settings: ServeSettings) -> None:
        self._prescription: Prescription | None = settings.load_prescription()
        self._profile: LifterProfile | None = settings.load_profile()
        self._simulated_profile = settings.simulated_profile
        self._earlier: EarlierSet | None = None

    def refusal(self, request: Requested, known: Iterable[Event]) -> str | None:
        """Why a completed request may not arm this rig; None when it may.

        Args:
            request: the request with its documents.
            known: what this connection knows of the rig; of one that is not there, the core says so.
        """
        real_rig = any(isinstance(event, RigAnnounced) and not event.simulated for event in known)
        if request.profile is None or not request.profile.simulated or not real_rig or self._simulated_profile:
            return None
        return (
            f"profile of {request.profile.lifter!r} is made from simulated sets; allowed on this rig: a profile of a "
            "person's sets, or none, unless the controller was started with --simulated-profile"
        )

    def note_earlier(self, earlier: EarlierSet | None) -> None:
        """Remember how the last set left its lifter; None leaves what was known."""
        self._earlier = earlier or self._earlier

    def completed(self, request: Requested) -> Requested:
        """The request with a fresh nonce, and with the documents that it lacks.

        Args:
            request: an arm request as it arrived. Its own prescription takes precedence over that of the settings; the
                profile of the settings then applies only when it is for the same exercise.
        """
        profile = request.profile
        if profile is None and (request.prescription is None or self._same_exercise(request.prescription)):
            profile = self._profile
        return replace(
            request,
            fresh_nonce=secrets.token_hex(8),
            prescription=request.prescription or self._prescription,
            profile=profile,
            earlier=self._earlier_of(profile),
        )

    def _same_exercise(self, prescription: Prescription) -> bool:
        return self._profile is not None and self._profile.exercise == prescription.exercise

    def _earlier_of(self, profile: LifterProfile | None) -> EarlierSet | None:
        """The set before, if the same person lifted it; a recording must not hold anybody else's."""
        earlier = self._earlier
        if earlier is None or profile is None or earlier.lifter != profile.lifter:
            return None
        return earlier
