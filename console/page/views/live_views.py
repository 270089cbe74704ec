"""The views of sets at work: the room, the lifter's, the coach's, and what can be asked of a rig."""

from __future__ import annotations

import asyncio
from typing import Any
from urllib.parse import quote

from starlette.requests import Request
from starlette.responses import Response

from ebbset.console.live.screen_blinding import ScreenBlinding
from ebbset.console.page.access.gate import visitor_of
from ebbset.console.page.rigs.asks import Ask
from ebbset.console.page.rigs.drawings import capacity_figure, repetition_figure
from ebbset.console.page.rigs.rig_watch import RigWatch
from ebbset.console.page.rigs.shown_rig import AT_WORK, ShownRig
from ebbset.console.page.rigs.streams import FeedKey, StreamAnswer
from ebbset.console.page.site import Site, audience_of, rig_name, svg
from ebbset.console.report.prescription_text import prescription_lines
from ebbset.controller.messages.reasons import State
from ebbset.models.contract.cautions import CAUTIONS, CONFIRMATION, HEADING
from ebbset.models.contract.constants import UNLOADED_N
from ebbset.models.contract.operator_messages import RequestAction
from ebbset.models.contract.study_mark import mark_of


class LiveViews:
    """Views of sets at work.

    Args:
        site: what the views share.
    """

    def __init__(self, site: Site) -> None:
        self._site = site

    async def room(self, request: Request) -> Response:
        """Every rig at a glance."""
        site = self._site
        rigs = [site.shown(watch, None) for watch in site.rigs()]
        return site.answer(request, "room.html", rigs=[_row(one) for one in rigs], stream="/stream?view=room")

    async def lifter(self, request: Request) -> Response:
        """The lifter's view of a rig: what is read from three metres, and nothing else."""
        site = self._site
        watch = site.watch(request)
        shown = site.shown(watch, "lifter")
        return site.answer(
            request, "lifter.html", rig=watch, shown=shown, figures=shown.figures(), bars=shown.bars(),
            marker=shown.marker(), stream=f"/stream/{quote(watch.rig)}?view=lifter",
        )  # fmt: skip

    async def coach(self, request: Request) -> Response:
        """The coach's view of a rig."""
        site = self._site
        watch = site.watch(request)
        shown = site.shown(watch, audience_of("coach", visitor_of(request)))
        ask = site.asks.find(request.query_params.get("ask"), watch.rig)
        return site.answer(
            request, "coach.html", rig=watch, shown=shown, figures=shown.figures(), bars=shown.bars(),
            marker=shown.marker(), decisions=shown.decisions(), repetitions=svg(repetition_figure(shown)),
            capacity=svg(capacity_figure(shown)), order=_order_lines(shown), said=self._said(ask, shown),
            nonce=None if watch.live.report is None else watch.live.report.nonce, ask=ask,
            stream=f"/stream/{quote(watch.rig)}?view=coach",
        )  # fmt: skip

    async def stream(self, request: Request) -> Any:
        """Live data: of one rig, or of all."""
        site, visitor = self._site, visitor_of(request)
        if site.streams.full:
            return Response("Too many browsers look at this page; this one must wait.", 503, {"retry-after": "5"})
        view = request.query_params.get("view", "")
        rig = None if "rig" not in request.path_params else rig_name(request.path_params["rig"])
        key = FeedKey(rig, audience_of(view, visitor), trace=view == "coach")
        login = visitor.login
        return StreamAnswer(site.streams, key, lambda: login is None or site.logins.holds(login, site.access.now_s()))

    # --- asking ----------------------------------------------------------------------------------------------------

    async def arming(self, request: Request) -> Response:
        """The form to arm a rig, with the cautions."""
        return self._arming(request, self._site.watch(request))

    def _arming(self, request: Request, watch: RigWatch, problem: str = "", status: int = 200) -> Response:
        site = self._site
        shown = site.shown(watch, audience_of("coach", visitor_of(request)))
        orders = [
            (file, [] if file.order is None or mark_of(file.order.notes) else prescription_lines(file.order))
            for file in site.orders.prescriptions()
        ]
        return site.answer(
            request, "arm.html", rig=watch, shown=shown, orders=orders, profiles=site.orders.profiles(),
            cautions=CAUTIONS, heading=HEADING, confirmation=CONFIRMATION, problem=problem,
            chosen=request.state.form, once=site.once.new(watch.rig), status=status,
        )  # fmt: skip

    async def arm(self, request: Request) -> Response:
        """Arm a rig: binds it to one set; no load yet."""
        site, visitor = self._site, visitor_of(request)
        watch, form = site.watch(request), request.state.form
        order = next((one.order for one in site.orders.prescriptions() if one.name == form.get("prescription")), None)
        profile = next((one.profile for one in site.orders.profiles() if one.name == form.get("profile")), None)
        problem = ""
        if form.get("cautions") != "shown":
            problem = "The cautions are not ticked. Show them to the lifter, then tick that you did."
        elif form.get("prescription") and order is None:
            problem = f"prescription is {form['prescription'][:80]!r}; allowed: one of the list."
        elif form.get("profile") and profile is None:
            problem = f"profile is {form['profile'][:80]!r}; allowed: one of the list."
        elif order is not None and profile is not None and profile.exercise != order.exercise:
            problem = f"profile.exercise is {profile.exercise!r}; allowed: {order.exercise!r}, as in the prescription."
        elif not site.once.spend(form.get("once"), watch.rig):
            problem = "This form was sent before, or is too old, so nothing was done. Here is a new one."
        if problem:
            return self._arming(request, watch, problem, 409)
        if order is not None:
            site.orders.know(order)
        ask = await site.asks.ask(
            RequestAction.ARM, watch.rig, visitor.name, cautions_shown=True, prescription=order, profile=profile
        )
        if ask.answer is not None and ask.answer.accepted:
            watch.person = None if profile is None else profile.lifter
            return site.go(f"/rig/{quote(watch.rig)}/coach?ask={ask.key}")
        shown = site.shown(watch, audience_of("coach", visitor))
        if order is not None and (mark := mark_of(order.notes)) is not None and ask.answer is not None:
            told = ScreenBlinding(mark.hidden_from(None)).answer(ask.answer.code, ask.answer.message)[1]
        else:
            told = self._said(ask, shown)
        return self._arming(request, watch, f"Not armed: {told}", 409)

    async def start(self, request: Request) -> Response:
        """Start the arming that the form names: the load comes on."""
        site, form = self._site, request.state.form
        watch = site.watch(request)
        ask = await site.asks.ask(
            RequestAction.START, watch.rig, visitor_of(request).name, arming=form.get("arming") or "nothing-is-armed"
        )
        return site.go(f"/rig/{quote(watch.rig)}/coach?ask={ask.key}")

    async def release(self, request: Request) -> Response:
        """Release a rig from its set."""
        site = self._site
        watch = site.watch(request)
        ask = await site.asks.ask(RequestAction.RELEASE, watch.rig, visitor_of(request).name)
        return site.go(f"/rig/{quote(watch.rig)}/coach?ask={ask.key}")

    async def stop(self, request: Request) -> Response:
        """Stop one rig, heard of or not."""
        rig = rig_name(request.path_params["rig"])
        ask = await self._site.asks.stop(rig, visitor_of(request).name)
        return self._site.go(f"/rig/{quote(rig)}/stopping?ask={ask.key}")

    async def stop_all(self, request: Request) -> Response:
        """Stop every rig that was heard of."""
        site, who = self._site, visitor_of(request).name
        asks = await asyncio.gather(*(site.asks.stop(watch.rig, who) for watch in site.rigs()))
        return site.go("/stopping?" + "&".join(f"ask={ask.key}" for ask in asks))

    async def stopping(self, request: Request) -> Response:
        """What became of a stop: asked, unloading, unloaded."""
        site = self._site
        rig = rig_name(request.path_params["rig"])
        watch = site.hub.watches.get(rig)
        ask = site.asks.find(request.query_params.get("ask"), rig)
        about = [self._stop_steps(rig, watch, ask)]
        return site.answer(
            request, "stopping.html", rig=watch, stops=about, stream=f"/stream/{quote(rig)}?view=stop", back=rig
        )

    async def stopping_all(self, request: Request) -> Response:
        """What became of a stop of every rig."""
        site, keys = self._site, request.query_params.getlist("ask")
        found = [(watch, [site.asks.find(key, watch.rig) for key in keys]) for watch in site.rigs()]
        about = [self._stop_steps(watch.rig, watch, next(filter(None, asks), None)) for watch, asks in found]
        return site.answer(request, "stopping.html", stops=about, stream="/stream?view=stop", back=None)

    def _stop_steps(self, rig: str, watch: RigWatch | None, ask: Ask | None) -> dict[str, Any]:
        """The steps of a stop: each with whether it is done, and a sentence for where it stands."""
        site = self._site
        shown = None if watch is None else site.shown(watch, None)
        current = shown is not None and not shown.stale
        off = current and shown is not None and max(shown.watch.applied_n(), default=0.0) <= UNLOADED_N
        over = current and shown is not None and shown.at not in AT_WORK
        heard = over or (current and shown is not None and shown.at == State.ENDING)
        answered = ask is not None and ask.answer is not None
        asked = ask is not None and ask.sent
        done = heard and off
        return {
            "rig": rig,
            "shown": shown,
            "marker": "" if shown is None else shown.marker(),
            "age": None if shown is None else shown.age_s,
            "who": "" if ask is None else ask.who,
            "ago": None if ask is None else site.hub.now_s() - ask.asked_s,
            "problem": "" if ask is None or ask.sent else ask.problem,
            "refused": answered and ask is not None and ask.answer is not None and not ask.answer.accepted,
            "current": current,
            "steps": [
                ("asked", "Asked", asked or (ask is None and heard)),
                ("unloading", "Unloading", heard and (answered or ask is None or over or done)),
                ("unloaded", "Unloaded", done),
            ],
            "done": done,
        }

    def _said(self, ask: Ask | None, shown: ShownRig) -> str:
        """What became of a request, as far as it may be shown."""
        if ask is None:
            return ""
        if ask.answer is None:
            return ask.problem
        return shown.blinding.answer(ask.answer.code, ask.answer.message)[1]


def _row(shown: ShownRig) -> dict[str, Any]:
    """What the room shows of a rig."""
    return {
        "rig": shown.watch.rig,
        "shown": shown,
        "figures": shown.figures(),
        "bars": shown.bars(),
        "marker": shown.marker(),
        "person": shown.person,
    }


def _order_lines(shown: ShownRig) -> list[str]:
    """The armed prescription in words; nothing of a session of a study."""
    order = shown.watch.armed_order
    return [] if order is None or shown.blinding.hidden else prescription_lines(order)
