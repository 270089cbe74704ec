"""The wire contract in words: how each topic is used, and every rule that JSON Schema cannot state.

Text only; `contract_documents` puts it into the AsyncAPI document beside the schemas. A rule here is held by the
controller, asked of rigs by `check-rig`, or both.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

from ebbset.controller.link.inbox import REQUEST_BYTES, REQUESTS_AT_ONCE, REQUESTS_PER_S
from ebbset.controller.messages.reasons import Action, AnswerCode, Reason, State
from ebbset.models.contract import wire
from ebbset.models.contract.constants import ACKNOWLEDGED_WITHIN_S, KEEPALIVE_S, LONGEST_REQUEST_AGE_S
from ebbset.models.contract.rig_messages import Refusal
from ebbset.models.contract.wire import Topic


@dataclass(frozen=True, slots=True)
class Line:
    """How one topic is used. ``sender`` is rig, operator or controller."""

    topic: Topic
    sender: str
    qos: int
    retain: bool
    title: str
    rules: tuple[str, ...]

    @property
    def name(self) -> str:
        """Name of channel and message, e.g. ``rig_frame``."""
        return self.topic.value.replace("/", "_")

    @property
    def schema_file(self) -> str:
        """File of the message's JSON Schema."""
        return f"{self.name}.schema.json"


def _rules(text: str) -> tuple[str, ...]:
    """The paragraphs of a text, each on one line."""
    return tuple(" ".join(paragraph.split()) for paragraph in text.strip().split("\n\n"))


REFUSALS_OF_ARM: Final[dict[Refusal, str]] = {
    Refusal.BAD_MESSAGE: "it breaks its schema",
    Refusal.STOPPED: "the emergency stop is latched",
    Refusal.SPENT_NONCE: "this nonce is spent",
    Refusal.FOREIGN_NONCE: "another nonce is bound",
    Refusal.REPEATED_SEQUENCE: "this nonce is bound already; with a higher `seq` the reason is `spent_nonce`",
    Refusal.WRONG_CABLES: "ceilings or floors for another number of cables",
    Refusal.ABOVE_CEILING: "a ceiling above the rig's maximum",
    Refusal.BELOW_FLOOR: "a floor under the rig's minimum, or above the ceiling",
    Refusal.RAMP_TOO_STEEP: "a ramp steeper than the rig's",
    Refusal.LEASE_TOO_LONG: "a lease longer than the rig's",
}
"""Why a rig refuses to be armed, in the order in which it judges."""
REFUSALS_OF_LOAD: Final[dict[Refusal, str]] = {
    Refusal.BAD_MESSAGE: "it breaks its schema",
    Refusal.STOPPED: "the emergency stop is latched",
    Refusal.SPENT_NONCE: "this nonce is spent",
    Refusal.FOREIGN_NONCE: "another nonce is bound, or none",
    Refusal.REPEATED_SEQUENCE: "a `seq` not above the last of this nonce",
    Refusal.WRONG_CABLES: "targets for another number of cables",
    Refusal.FUTURE_CITATION: "`cites_t_us` is later than the rig's clock",
    Refusal.STALE_CITATION: "`cites_t_us` is older, by the rig's clock, than the `lease_ms` of this command",
    Refusal.LEASE_TOO_LONG: "a lease longer than armed",
    Refusal.ABOVE_CEILING: "a target above the armed ceiling",
    Refusal.BELOW_FLOOR: "a target between zero and the armed floor",
    Refusal.RAMP_TOO_STEEP: "a ramp steeper than armed",
    Refusal.RISE_WHILE_UNDOCKED: "a target above the present target of its cable, with the handle out of the dock; the "
    "load applied, which may still be on its way, does not count",
}
"""Why a rig refuses a load, in the order in which it judges."""


def _refusals(kind: str, reasons: dict[Refusal, str]) -> str:
    """One paragraph: each refusal of a kind of command with its reason."""
    return f"`{kind}`: " + "; ".join(f"`{refusal}`, {why}" for refusal, why in reasons.items()) + "."


INTRODUCTION: Final = _rules(
    f"""
    Load control of a connected resistance rig over MQTT 3.1.1 or 5. SI units; loads and forces in newtons at the
    handle, per cable; one or two cables. `t_us` is the rig's own clock in microseconds since it booted; no two clocks
    are assumed to agree. Everything that safety needs is in the payload. This software is not a safety function: the
    rig needs its own stop, limits and watchdog.

    Connection. Rig, controller and operators are clients of one broker: port 1883, or 8883 over TLS with the broker's
    certificate verified. Use TLS for a broker on another machine, and user name and password as the broker asks. The
    client identifier is new for every connection, so that no client throws another out. The session is clean (MQTT 5:
    clean start, no session expiry), the keepalive {KEEPALIVE_S} s, and a client subscribes anew at every connection. A
    message is one JSON object in UTF-8.

    Versions. A topic and the member `version` bear the major version. A message of another major version is refused
    whole; a new major version is a new topic root (`ebbset/v2`), so that the two never meet. A minor version may add
    members that can be left out, topics, reasons, codes and states; it takes nothing away, changes no meaning and asks
    nothing new of a rig that was right before. A receiver ignores members that it does not know in what a rig or a
    controller reports, and shows an unknown reason, code or state as it stands, without acting on it. Commands and
    requests are strict, because somebody acts on them: one with an unknown member, or a value outside its schema, is
    refused whole.

    Version 1.1 differs from 1.0 in this: it says when a lease starts and what renews it; messages other than commands
    and requests may have members that a receiver does not know; a repetition report gives each estimate with its
    interval; and a request to arm or to start needs a ticket. A rig of 1.0 that passes `check-rig` is a rig of 1.1. An
    operator of 1.0 can stop and release; to arm and to start it has to be changed, because a request without an age can
    act long after it was made.

    The virtual rig of this project can also listen on `ebbset-bench/v1/<rig>/hands`, where a test bench plays the
    person at it. That topic is no part of the contract; a real rig never subscribes to it.
    """
)

LINES: Final = (
    Line(
        Topic.IDENTITY,
        "rig",
        1,
        True,
        "Who the rig is and what it can do",
        _rules(
            """
            Sent at every start and after every reconnection, retained; `boot_id` is new at every boot.

            The rig's last will is the same message with `online` false, retained, at QoS 1.

            `rig` equals the name in the topic.
            """
        ),
    ),
    Line(
        Topic.FRAME,
        "rig",
        0,
        False,
        "Samples, several a message",
        _rules(
            f"""
            Sent by a rig whose `telemetry` is `frames`, at least ten times a second, also when unloaded and
            docked.

            `seq` increases by one with each frame, and by nothing else: frames, repetitions and events are
            counted apart. `t_us` increases strictly, within and between messages.

            Every column of a cable is as long as `t_us`; `applied_n` and `cables` have one entry per cable.

            Position is the cable paid out at the handle, in metres: zero is the handle in its dock, and it
            increases in the concentric; velocity is positive then. Where a lifter's range of motion begins is
            not the rig's concern.

            Force is the tension of the cable at the handle, measured in the dock as anywhere else: within 25 N
            of zero when docked and unloaded, about the load when docked and loaded.

            `applied_n` is the load that the drive applies at the last sample, after its ramp, and not what it
            was told to apply.

            A payload is at most {wire.MAX_PAYLOAD_BYTES} bytes; numbers are finite.
            """
        ),
    ),
    Line(
        Topic.REPETITION,
        "rig",
        1,
        False,
        "A repetition, from a rig that segments itself",
        _rules(
            """
            Sent by a rig whose `telemetry` is `repetitions` at the end of each concentric, whatever its
            outcome.

            A concentric in which the handle stands still under load is reported once as `failed` (or
            `not_started`) while the lifter is still under the load: that report is what makes the load drop.

            `t_end_us` is not before `t_start_us`. `seq` counts repetitions only.
            """
        ),
    ),
    Line(
        Topic.EVENT,
        "rig",
        1,
        False,
        "Something happened at the rig",
        _rules(
            """
            `docked` and `undocked` whenever the handle returns to the dock or leaves it.

            `emergency_stop`, `over_travel`, `over_speed` and `fault` after the rig has unloaded by itself.

            `lease_expired` after a lease has run out and the rig has unloaded by itself.

            Over-travel and over-speed are limits of the rig's own, which no command changes and nobody
            announces. Set them beyond what lifters do, well within what the cable stands: light fast
            repetitions peak at 2 to 2.5 m/s. `detail` gives the value and the limit.

            `seq` counts events only.
            """
        ),
    ),
    Line(
        Topic.ACK,
        "rig",
        1,
        False,
        "Answer to one command",
        _rules(
            """
            One for every command, accepted or refused, with the time by the rig's clock; `command_seq` is the
            `seq` of that command.

            A command that breaks its schema is answered with `bad_message` if its nonce and `seq` can be read,
            and else not at all. A retained command is neither obeyed nor answered.

            `refusal` is present exactly when `accepted` is false. A reason that a receiver does not know, from a rig of
            a later minor version, is a refusal all the same.

            Rig and broker turn Nagle's algorithm off (TCP_NODELAY; Mosquitto: `set_tcp_nodelay true`);
            otherwise small messages can wait about 40 ms for each other.

            If a rig sends no frames, its acknowledgements show that it is alive, and load commands cite them.
            The applied load that they report is compared with the load commanded, as soon as the ramp allows.
            """
        ),
    ),
    Line(
        Topic.COMMAND,
        "controller",
        0,
        False,
        "Commands",
        _rules(
            f"""
            `arm` binds nonce, ceiling, floor, steepest ramp and lease, and applies no load; the rig refuses
            every other nonce until this one is released or its lease runs out. A nonce can be armed only once.
            The rig also refuses whatever exceeds its own limits.

            `load` holds `target_n` for one lease.

            The rig refuses for the first of these reasons that holds.

            {_refusals("arm", REFUSALS_OF_ARM)}

            {_refusals("load", REFUSALS_OF_LOAD)}

            `seq` counts up within a nonce over all kinds of command; gaps are normal.

            If the handle leaves the dock while a load is still coming on, the load rises no further: the rig
            unloads by itself, spends the nonce and reports `fault`. The controller ends the set, too.

            `unload` is obeyed whatever its nonce, sequence number or state; a later one never makes an
            unloading slower.

            `release` of the bound nonce unloads the rig and spends the nonce for good. Of a spent nonce it is
            accepted and changes nothing; of any other it is refused as `foreign_nonce`.

            The lease starts when `arm` is accepted. Every accepted command that bears the bound nonce and a
            `seq` above the last starts it anew: `load` for its own `lease_ms`, `unload` for the armed one.
            Nothing else renews it: no refused command, no other nonce, no repeated `seq`. The controller keeps
            an armed or resting rig bound by unloads, four times a lease.

            When the lease runs out, before the first load too, the rig unloads by itself, spends the nonce,
            reports `lease_expired` and takes the next arming at once: it waits for no release. It then unloads
            at its own ramp, or at the armed `max_ramp_n_per_s` if that is steeper, and never in a step.

            While its emergency stop is latched the rig refuses `arm` and `load`; only a person at the rig
            resets it, and a reset never brings a load back.

            Never retained; a rig ignores a retained command. On MQTT 5 it also expires at the broker.
            """
        ),
    ),
    Line(
        Topic.STATE,
        "controller",
        0,
        True,
        "State of the set",
        _rules(
            """
            Sent on every change and twice a second, retained. The controller's last will says `offline`.

            `ticket` tells the controller later when a request was made, without two clocks that agree. Whoever
            asks to arm or to start copies it, word for word, from the newest state.

            `recording_failure` says at once, and for as long as it is so, that the recording of this set is not
            whole, and why. The set goes on; the next arming is refused until a new file can be written.

            `target_n` is what was commanded, `applied_n` what the rig says it applies.
            """
        ),
    ),
    Line(
        Topic.DECISION,
        "controller",
        1,
        False,
        "One decision with everything it was based on",
        _rules(
            """
            `seq` counts the decisions of one recording of the controller, which holds one set, and begins anew
            with the next. It has nothing to do with the `seq` of commands.

            `t_host_us` is the controller's own clock, `t_rig_us` the newest rig time that it knew.
            """
        ),
    ),
    Line(
        Topic.REPETITION_REPORT,
        "controller",
        1,
        False,
        "One repetition as the controller saw it",
        _rules(
            """
            Estimates are those after the repetition: the 1RM of the day (`one_rm_n`), the momentary 1RM (`capacity_n`),
            the repetitions left at `load_n` (`repetitions_in_reserve`) and the loss of capacity from fresh
            (`budget_spent`), each with an interval in which the truth should lie four times in five. They are null
            until something is known.
            """
        ),
    ),
    Line(
        Topic.RESULT,
        "controller",
        1,
        False,
        "Outcome of the set",
        _rules(
            """
            Sent once for every armed nonce.
            """
        ),
    ),
    Line(
        Topic.ANSWER,
        "controller",
        1,
        False,
        "Answer to one request",
        _rules(
            f"""
            `correlation_id` is that of the request; a refusal gives a code and a sentence.

            An arming is answered when the rig has acknowledged it, or shows its nonce in a frame: `accepted` then
            means that both agreed. `rig_refused`: the rig said no, and the sentence says why. `not_acknowledged`:
            the rig did not answer within {ACKNOWLEDGED_WITHIN_S} s. `not_armed`: something ended the
            set before that. Every other refusal is the controller's. `nonce` names the arming.

            Decisions, repetitions and results, and then the state, go out before answers.
            """
        ),
    ),
    Line(
        Topic.REQUEST,
        "operator",
        1,
        False,
        "A person's request",
        _rules(
            f"""
            `arm` is refused unless `cautions_shown` is true.

            `arm` and `start` bear the `ticket` of the newest `ctl/state`. A ticket that is more than
            {LONGEST_REQUEST_AGE_S} s old by the controller's clock is refused as `request_too_old`, one of another
            run of the controller as `unknown_ticket`: look at `ctl/state` and ask again.

            `start` names in `arming` the nonce of the set that it starts, as the answer to the arming gave it; for
            any other it is refused as `another_arming`.

            `correlation_id` is new for every request. A request to arm or to start that was handled never acts
            again, however often its bytes come and whatever happened to the connection meanwhile; a copy gets the
            answer of the first.

            `stop` and `release` need no ticket, are obeyed in every state, as often as they come, and take
            precedence over everything else. A request to arm or to start that came before one of them and was not
            handled yet never acts: it is refused as `overtaken_by_stop`.

            {REQUESTS_PER_S:g} requests a second are taken in the long run, {REQUESTS_AT_ONCE:g} at once, and one of
            more than {REQUEST_BYTES} bytes counts for several. What comes beyond is left out without an answer, but
            for a stop that has something to stop.

            A retained request is ignored.
            """
        ),
    ),
)

WORDS: Final[dict[Topic, dict[str, tuple[str, ...]]]] = {
    Topic.STATE: {"state": tuple(State)},
    Topic.DECISION: {"state": tuple(State), "action": tuple(Action), "reason": tuple(Reason)},
    Topic.RESULT: {"reason": tuple(Reason)},
    Topic.ANSWER: {"state": tuple(State), "code": (*AnswerCode, *wire.BadMessageCode)},
}
"""What the controller of this version says in members that are text. A later minor version may say more."""
