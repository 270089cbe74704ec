"""The views of sessions: the list, one session with its plan and clock, and what can be asked of it."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any, Final
from urllib.parse import quote

from starlette.exceptions import HTTPException
from starlette.requests import Request
from starlette.responses import Response

from ebbset.coaching.sessions.progress import StepView
from ebbset.console.live.screen_blinding import ScreenBlinding
from ebbset.console.live.session_lead import SessionLead
from ebbset.console.page.access.gate import visitor_of
from ebbset.console.page.rigs.next_words import clock
from ebbset.console.page.rigs.session_at_rig import A_STUDY, SessionAtRig
from ebbset.console.page.session_desk import KnownSession
from ebbset.console.page.site import Site, audience_of
from ebbset.models.contract import formatting
from ebbset.models.contract.cautions import CAUTIONS, CONFIRMATION, HEADING
from ebbset.models.contract.operator_messages import OperatorAnswer
from ebbset.models.contract.study_mark import mark_of

PHASES: Final = {
    "not_begun": "not begun",
    "resting": "resting",
    "ready": "ready for the next set",
    "armed": "armed",
    "working": "at work",
    "over": "over",
}


class SessionViews:
    """Views of sessions.

    Args:
        site: what the views share.
    """

    def __init__(self, site: Site) -> None:
        self._site = site
        self._said: dict[str, str] = {}

    async def sessions(self, request: Request) -> Response:
        """The sessions of the home folder."""
        rows = [{"known": one, "phase": _phase(one)} for one in self._site.desk.sessions()]
        return self._site.answer(request, "sessions.html", rows=rows)

    async def session(self, request: Request) -> Response:
        """One session: its plan, its clock, the next set with its load and why."""
        return self._session(request, self._found(request))

    def _session(self, request: Request, known: KnownSession, problem: str = "", status: int = 200) -> Response:
        site, view, plan = self._site, known.view, known.plan
        at = None if view is None or plan is None else SessionAtRig.of(known.name, plan, view, here=known.here)
        audience = audience_of("coach", visitor_of(request))
        rig = None if view is None or view.step is None else site.hub.watches.get(view.step.rig)
        shown = None if rig is None else site.shown(rig, audience)
        return site.answer(
            request, "session.html", status=status, rig=rig, known=known, shown=shown, phase=_phase(known),
            figures={} if shown is None else shown.figures(), bars={} if shown is None else shown.bars(),
            marker="" if shown is None else shown.marker(), next=None if at is None else at.next_set(audience),
            clocks=None if view is None else (clock(view.session_left_s), clock(view.rest_left_s)),
            steps=[] if view is None else [_step(one) for one in view.steps], problem=problem,
            said=self._said.get(known.name, ""),
            stream="/stream?view=room" if rig is None else f"/stream/{quote(rig.rig)}?view=coach",
        )  # fmt: skip

    async def lead(self, request: Request) -> Response:
        """Begin to lead a session, or go on with one."""
        known = self._found(request)
        problem = self._site.desk.lead(known.name)
        return self._session(request, known, problem, 409) if problem else self._back(known)

    async def leave(self, request: Request) -> Response:
        """Leave off leading: it can be picked up from its journal."""
        known = self._found(request)
        await self._site.desk.leave(known.name)
        return self._back(known)

    async def arming(self, request: Request) -> Response:
        """The form to arm the next set, with the cautions."""
        return self._arming(request, self._found(request))

    def _arming(self, request: Request, known: KnownSession, problem: str = "", status: int = 200) -> Response:
        site, lead = self._site, self._lead(known)
        view = lead.view()
        if view.step is None:
            return self._back(known)
        at = SessionAtRig.of(known.name, lead.plan, view, here=True)
        return site.answer(
            request, "arm_next.html", status=status, rig=site.hub.watches.get(view.step.rig), known=known,
            next=at.next_set(audience_of("coach", visitor_of(request))), on=view.step.rig, cautions=CAUTIONS,
            heading=HEADING, confirmation=CONFIRMATION, problem=problem, once=site.once.new(known.name),
        )  # fmt: skip

    async def arm(self, request: Request) -> Response:
        """Arm the next set."""
        site, form, known = self._site, request.state.form, self._found(request)
        lead = self._lead(known)
        if form.get("cautions") != "shown":
            problem = "The cautions are not ticked. Show them to the lifter, then tick that you did."
            return self._arming(request, known, problem, 409)
        if not site.once.spend(form.get("once"), known.name):
            problem = "This form was sent before, or is too old, so nothing was done. Here is a new one."
            return self._arming(request, known, problem, 409)
        answer = await lead.arm(visitor_of(request).name, cautions_ticked=True)
        if not answer.accepted:
            return self._arming(request, known, f"Not armed: {_shown(answer, lead)}", 409)
        if (order := lead.view().order) is not None:
            site.orders.know(order)
        return self._tell(known, answer, lead)

    async def start(self, request: Request) -> Response:
        """Start the armed set, if it is still the one that the form was shown for."""
        known = self._found(request)
        lead = self._lead(known)
        if lead.view().nonce != request.state.form.get("arming"):
            return self._session(request, known, "Another arming is there now, so nothing was started.", 409)
        return self._tell(known, await lead.start(visitor_of(request).name), lead)

    async def skip(self, request: Request) -> Response:
        """Leave the next set out."""
        return self._change(request, SessionLead.skip)

    async def repeat(self, request: Request) -> Response:
        """Do the last set once more, next."""
        return self._change(request, SessionLead.repeat)

    async def end(self, request: Request) -> Response:
        """End the session; a set at work is stopped first."""
        return self._change(request, SessionLead.end)

    def _change(self, request: Request, change: Callable[[SessionLead], None]) -> Response:
        known = self._found(request)
        lead = self._lead(known)
        if not self._site.once.spend(request.state.form.get("once"), known.name):
            return self._session(request, known, "This was asked before, so nothing was done again.", 409)
        try:
            change(lead)
        except ValueError as error:
            return self._session(request, known, str(error), 409)
        self._site.desk.look()
        return self._back(known)

    def _tell(self, known: KnownSession, answer: OperatorAnswer, lead: SessionLead) -> Response:
        """Go back to the session, which shows what the controller answered."""
        self._said[known.name] = _shown(answer, lead)
        self._site.desk.look()
        return self._back(known)

    def _back(self, known: KnownSession) -> Response:
        return self._site.go(f"/sessions/{quote(known.name)}")

    def _found(self, request: Request) -> KnownSession:
        known = self._site.desk.find(request.path_params["name"])
        if known is None:
            raise HTTPException(404, "There is no session of that name in the folder.")
        return known

    def _lead(self, known: KnownSession) -> SessionLead:
        lead = self._site.desk.lead_of(known.name)
        if lead is None:
            raise HTTPException(409, "This page does not lead the session, so nothing was done. Lead it here first.")
        return lead


def _phase(known: KnownSession) -> str:
    return "cannot be read" if known.view is None else PHASES[known.view.phase]


def _step(one: StepView) -> dict[str, Any]:
    """One step of the list; of a set of a study nothing but that it is one, and whether it is over."""
    mark = mark_of(one.step.prescription.notes)
    blinded = mark is not None and bool(mark.hidden_from(None))
    ended, unit = one.ended, one.step.prescription.units
    said = ""
    if ended is not None and not blinded:
        said = f"{formatting.plural(ended.repetitions, 'repetition')}, {formatting.plural(ended.drops, 'drop')}"
        if ended.one_rm_n is not None:
            said += f", 1RM taken for fresh {formatting.load(ended.one_rm_n, unit)}"
    return {
        "title": A_STUDY if blinded else one.step.title,
        "rig": one.step.rig,
        "state": one.state,
        "rest": clock(one.step.rest_before_s),
        "load": "" if blinded else formatting.load(one.began_n or one.step.prescription.load.start_n, unit),
        "said": said,
    }


def _shown(answer: OperatorAnswer, lead: SessionLead) -> str:
    """An answer as far as it may be shown."""
    step = lead.view().step
    mark = None if step is None else mark_of(step.prescription.notes)
    blinding = ScreenBlinding() if mark is None else ScreenBlinding(mark.hidden_from(None))
    return blinding.answer(answer.code, answer.message)[1]
