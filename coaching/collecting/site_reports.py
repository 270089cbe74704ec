"""What a message at the centre means: a report of a set, or of a site's health, as rows of the store. Pure."""

from __future__ import annotations

import hashlib
import re
from typing import Annotated, Any, Final

from pydantic import BaseModel, ConfigDict, Field, ValidationError

from ebbset.coaching.history.rows.report_rows import SiteReport
from ebbset.coaching.history.rows.set_rows import Row
from ebbset.models.contract.controller_messages import SetReport
from ebbset.models.contract.problems import problems_of
from ebbset.models.contract.wire import TOPIC_ROOT, BadMessageError, Topic, decode

SITES_ROOT: Final = "sites"
"""At the centre, all topics of a site stand under ``sites/<site>/``; the bridge puts that before them."""
KINDS: Final = {"result": Topic.RESULT, "decision": Topic.DECISION, "repetition": Topic.REPETITION_REPORT}
SUBSCRIPTIONS: Final = (
    *(f"{SITES_ROOT}/+/{topic.path('+')}" for topic in KINDS.values()),
    f"{SITES_ROOT}/+/health",
)
_NAME: Final = r"([A-Za-z0-9][A-Za-z0-9._\-]{0,63})"
_REPORT: Final = re.compile(rf"{SITES_ROOT}/{_NAME}/{TOPIC_ROOT}/{_NAME}/ctl/(result|decision|repetition)")
_HEALTH: Final = re.compile(rf"{SITES_ROOT}/{_NAME}/health")
_MOST_HEALTH_BYTES: Final = 262_144
_MOST_COUNT: Final = 2**53


class BadReportError(ValueError):
    """A message that is no report; says what it holds and what is allowed."""


class _Health(BaseModel):
    model_config = ConfigDict(frozen=True, extra="ignore", allow_inf_nan=False)

    at_s: Annotated[float, Field(ge=0)]
    healthy: bool


def read_report(topic: str, payload: bytes, received_at_s: float) -> SiteReport:
    """The rows of a message.

    Args:
        topic: where it arrived, below `SITES_ROOT`.
        payload: as it arrived.
        received_at_s: now, seconds of the epoch.

    Raises:
        BadReportError: the topic or the payload is none of a report.
    """
    if (found := _HEALTH.fullmatch(topic)) is not None:
        return SiteReport(health=_health_row(found[1], payload))
    found = _REPORT.fullmatch(topic)
    if found is None:
        raise BadReportError(f"topic is {topic[:200]!r}; allowed: {', '.join(SUBSCRIPTIONS)}")
    site, rig, kind = found.groups()
    try:
        message = decode(KINDS[kind], payload)
    except BadMessageError as error:
        raise BadReportError(str(error)) from None
    where = {"site": site, "rig": rig, "received_at_s": received_at_s}
    name = f"{site}|{rig}|{kind}|".encode()
    row = {
        "digest": hashlib.sha256(name + payload).hexdigest(),
        "kind": kind,
        "nonce": message.nonce,
        "told": payload.decode(),
        **where,
    }
    done = _set_row(message, where) if isinstance(message, SetReport) and message.nonce is not None else None
    return SiteReport(report=row, done=done)


def _set_row(message: SetReport, where: dict[str, Any]) -> Row:
    copied = ("nonce", "prescription", "reason", "repetitions", "drops", "bouts", "duration_s", "budget_spent")
    counts = ("refused_inputs", "guard_refusals")
    values = {name: getattr(message, name) for name in (*copied, *counts)}
    for name, value in values.items():
        # Neither database takes these, and a report that is never taken would hold up all others.
        if (isinstance(value, str) and "\0" in value) or (isinstance(value, int) and abs(value) > _MOST_COUNT):
            raise BadReportError(
                f"{name} is {str(value)[:80]!r}; allowed: text without NUL, counts up to {_MOST_COUNT}"
            )
    return {**values, "prescription_digest": message.prescription_hash, **where}


def _health_row(site: str, payload: bytes) -> Row:
    if len(payload) > _MOST_HEALTH_BYTES:
        raise BadReportError(f"health of {site} is {len(payload)} bytes; allowed: up to {_MOST_HEALTH_BYTES}")
    try:
        health = _Health.model_validate_json(payload)
        told = payload.decode()
    except ValidationError as error:
        raise BadReportError(f"health of {site}: {problems_of(error)[0]}") from None
    except UnicodeDecodeError:
        raise BadReportError(f"health of {site} is no UTF-8; allowed: JSON in UTF-8") from None
    return {"site": site, "at_s": health.at_s, "healthy": health.healthy, "told": told}
