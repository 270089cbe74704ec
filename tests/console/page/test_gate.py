"""Who gets through the gate: every route, with every role, and requests that are forged, foreign or too large."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import Any

import argon2
import pytest

from ebbset.console.page.access import people as people_file
from ebbset.console.page.access.gate import MOST_BODY_BYTES, POLICY
from ebbset.console.page.access.logins import IDLE_S, LONGEST_S, UNUSED_S
from ebbset.console.page.access.people import Role, add_person, remove_person
from ebbset.console.page.app import routes_of
from ebbset.console.page.rigs.asks import Ask
from ebbset.console.page.site import Site
from ebbset.models.contract.operator_messages import RequestAction
from tests.support.page_calls import Caller, Clock, caller_of, logged_in, site_of
from tests.support.rig_messages import frame, identity, state, take

PASSWORD = "a long enough phrase"
ACTS = {"/rig/{rig}/arm", "/rig/{rig}/start", "/rig/{rig}/release"}


@pytest.fixture
def clock() -> Clock:
    return Clock()


@pytest.fixture(scope="module", autouse=True)
def quick_hashes() -> Iterator[None]:
    """Hashing takes its time on purpose; here it need not."""
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(people_file, "_HASHER", argon2.PasswordHasher(time_cost=1, memory_cost=64, parallelism=1))
        yield


@pytest.fixture(scope="module")
def people(tmp_path_factory: pytest.TempPathFactory) -> bytes:
    """A file of three people."""
    path = tmp_path_factory.mktemp("people") / "page-users.toml"
    for role in Role:
        add_person(path, role.value, role, PASSWORD)
    return path.read_bytes()


class Watched(list[tuple[RequestAction, str, str]]):
    """Requests that would have gone to a rig: action, rig, who."""


def watched(site: Site, monkeypatch: pytest.MonkeyPatch) -> Watched:
    """Take what is asked of rigs before it is sent anywhere."""
    asked = Watched()

    async def ask(action: RequestAction, rig: str, who: str, **_: Any) -> Ask:
        asked.append((action, rig, who))
        return Ask("key", rig, action, who, site.hub.now_s(), sent=True)

    async def stop(rig: str, who: str) -> Ask:
        return await ask(RequestAction.STOP, rig, who)

    monkeypatch.setattr(site.asks, "ask", ask, raising=False)
    monkeypatch.setattr(site.asks, "stop", stop, raising=False)
    return asked


def heard(site: Site, clock: Clock, at: str = "idle") -> None:
    site.hub.connected = True
    take(site.hub, identity("north"), state("north", at, clock.now_s, nonce="nonce-0001"), frame("north", 1.0, 0.0))


@pytest.fixture
def site(tmp_path: Path, clock: Clock, people: bytes) -> Site:
    (tmp_path / "page-users.toml").write_bytes(people)
    (tmp_path / "page-users.toml").chmod(0o600)
    made = site_of(tmp_path, clock, people=True)
    heard(made, clock)
    return made


@pytest.fixture
def asked(site: Site, monkeypatch: pytest.MonkeyPatch) -> Watched:
    # Ask and its store are slotted; a plain object stands in for them, behind the same two functions.
    monkeypatch.setattr(site, "asks", type("Asks", (), {"find": lambda *_: None})())
    return watched(site, monkeypatch)


def filled(path: str) -> str:
    return path.replace("{rig}", "north").replace("{name}", "page.css")


async def csrf_of(caller: Caller) -> str:
    return (await caller.get("/")).hidden("csrf")


async def test_an_observer_can_arm_start_and_release_by_no_request(site: Site, asked: Watched) -> None:
    observer = logged_in(site, Role.OBSERVER)
    csrf = await csrf_of(observer)
    seen = set()
    for route, needs in routes_of(site):
        assert route.methods is not None
        path = filled(route.path)
        for method in ("GET", "POST"):
            form = {"csrf": csrf, "cautions": "shown", "arming": "nonce-0001", "once": site.once.new("north")}
            if "stream" in path or path == "/logout":
                continue
            answer = await (observer.post(path, form) if method == "POST" else observer.get(path))
            if needs is not None and not Role.OBSERVER.covers(needs):
                assert answer.status in (403, 405, 404), (method, path, answer.status)
                seen.add(path)
    assert {filled(path) for path in ACTS} <= seen
    assert {action for action, _, _ in asked} == {RequestAction.STOP}


async def test_every_role_may_stop_and_look(site: Site, asked: Watched) -> None:
    for role in Role:
        caller = logged_in(site, role)
        for path in ("/", "/rig/north/lifter", "/rig/north/coach", "/rig/north/stopping", "/stopping"):
            assert (await caller.get(path)).status == 200
        answer = await caller.post("/rig/north/stop", {"csrf": await csrf_of(caller)})
        assert answer.status == 303
        assert answer.headers["location"].startswith("/rig/north/stopping?ask=")
    assert asked == [(RequestAction.STOP, "north", role.value) for role in Role]


@pytest.mark.usefixtures("asked")
async def test_a_coach_may_arm_and_only_the_site_sees_logins(site: Site) -> None:
    coach = logged_in(site, Role.COACH)
    assert (await coach.get("/rig/north/arm")).status == 200
    assert (await coach.get("/recordings")).status == 200
    assert (await coach.get("/logins")).status == 403
    owner = logged_in(site, Role.SITE)
    listed = await owner.get("/logins")
    assert listed.status == 200
    assert "coach" in listed.text
    handle = listed.hidden("handle", "/logins/end")
    assert (await owner.post("/logins/end", {"csrf": await csrf_of(owner), "handle": handle})).status == 303
    assert (await coach.get("/")).headers["location"] == "/login"


async def test_without_a_login_there_is_nothing_but_the_form_to_log_in(site: Site, asked: Watched) -> None:
    stranger = caller_of(site)
    open_to_all = set()
    for route, needs in routes_of(site):
        path = filled(route.path)
        for method in sorted(route.methods or ()):
            if method == "HEAD":
                continue
            answer = await (stranger.post(path, {"csrf": "guess"}) if method == "POST" else stranger.get(path))
            if needs is None:
                open_to_all.add(path)
            elif method == "GET":
                assert (answer.status, answer.headers["location"]) == (303, "/login")
            else:
                assert answer.status == 401
    assert open_to_all == {"/static/page.css", "/login"}
    assert "north" not in (await stranger.get("/login")).text
    assert asked == []


@pytest.mark.parametrize(
    ("headers", "status"),
    [
        ({"origin": "http://evil.example"}, 403),
        ({"origin": "null"}, 403),
        ({"origin": "https://127.0.0.1:8765"}, 403),
        ({"origin": "http://127.0.0.1:9999"}, 403),
        ({"sec_fetch_site": "cross-site"}, 403),
        ({"sec_fetch_site": "same-site"}, 403),
        ({"sec_fetch_site": "none"}, 403),
        ({"content_type": "text/plain"}, 413),
        ({"content_type": "multipart/form-data; boundary=x"}, 413),
        ({"content_type": "application/json"}, 413),
        ({"host": "evil.example"}, 421),
        ({"sec_fetch_site": "same-origin"}, 303),
    ],
)
async def test_a_stop_from_elsewhere_does_nothing(
    site: Site, asked: Watched, headers: dict[str, str], status: int
) -> None:
    caller = logged_in(site, Role.SITE)
    answer = await caller.post("/rig/north/stop", {"csrf": await csrf_of(caller)}, **headers)
    assert answer.status == status
    assert len(asked) == (status == 303)


@pytest.mark.parametrize("token", ["", "guess", "A" * 43, None])
@pytest.mark.parametrize("path", ["/rig/north/stop", "/stop", "/rig/north/start", "/rig/north/arm", "/logout"])
async def test_no_form_acts_without_its_token(site: Site, asked: Watched, path: str, token: str | None) -> None:
    caller, other = logged_in(site, Role.SITE), logged_in(site, Role.COACH)
    form = {"arming": "nonce-0001", "cautions": "shown"}
    given = form if token is None else {**form, "csrf": token}
    answer = await caller.post(path, given)
    assert answer.status == 403
    assert "Stop" in answer.text, "the page that refuses offers a stop that works"
    assert (await caller.post(path, {**form, "csrf": await csrf_of(other)})).status == 403
    assert asked == []
    fresh = answer.hidden("csrf", "/stop")
    assert (await caller.post("/rig/north/stop", {"csrf": fresh})).status == 303


@pytest.mark.usefixtures("asked")
async def test_every_answer_bears_the_security_headers(site: Site) -> None:
    caller = logged_in(site, Role.SITE)
    for path in ("/", "/rig/north/coach", "/nowhere", "/static/page.js", "/rig/south/coach", "/login"):
        answer = await caller.get(path)
        assert answer.headers["content-security-policy"] == POLICY
        assert answer.headers["x-content-type-options"] == "nosniff"
        assert answer.headers["x-frame-options"] == "DENY"
        assert answer.headers["referrer-policy"] == "same-origin"
        assert "strict-transport-security" not in answer.headers
    assert "'unsafe" not in POLICY
    refused = await caller.get("/", host="evil.example")
    assert refused.headers["content-security-policy"] == POLICY
    for method in ("PUT", "DELETE", "OPTIONS", "TRACE", "PATCH"):
        assert (await caller.call(method, "/rig/north/stop")).status == 405


@pytest.mark.usefixtures("asked")
async def test_no_view_needs_what_the_policy_forbids(site: Site) -> None:
    """No inline script or style, and nothing from elsewhere."""
    caller = logged_in(site, Role.SITE)
    for path in ("/", "/rig/north/lifter", "/rig/north/coach", "/rig/north/arm", "/stopping", "/recordings", "/logins"):
        text = (await caller.get(path)).text
        assert "<style" not in text
        assert " style=" not in text
        assert " onclick=" not in text
        assert "<script>" not in text
        assert "http://" not in text
        assert "https://" not in text


async def test_the_page_goes_only_by_its_names(tmp_path: Path, clock: Clock) -> None:
    site = site_of(tmp_path, clock, names=frozenset({"page.gym.example"}))
    for host, status in {
        "127.0.0.1:8765": 200,
        "localhost:8765": 200,
        "[::1]:8765": 200,
        "192.0.2.9:8765": 200,
        "page.gym.example": 200,
        "PAGE.gym.example:8765": 200,
        "evil.example": 421,
        "127.0.0.1.evil.example": 421,
        "page.gym.example.evil.example": 421,
        "": 421,
        "[::1": 421,
        "localhost@evil.example": 421,
    }.items():
        assert (await caller_of(site, host=host).get("/")).status == status, host


async def test_a_body_is_read_only_so_far(site: Site, asked: Watched) -> None:
    caller = logged_in(site, Role.SITE)
    form = {"csrf": await csrf_of(caller), "more": "x" * MOST_BODY_BYTES}
    assert (await caller.post("/rig/north/stop", form)).status == 413
    assert (await caller.post("/rig/north/stop", {f"f{k}": "" for k in range(100)})).status == 413
    assert asked == []


async def test_what_needs_more_than_looking_lapses_but_looking_and_stopping_go_on(
    site: Site, asked: Watched, clock: Clock
) -> None:
    coach = logged_in(site, Role.COACH)
    csrf = await csrf_of(coach)
    for _ in range(4):
        clock.now_s += IDLE_S / 3
        assert (await coach.get("/rig/north/coach")).status == 200
    refused = await coach.get("/rig/north/arm")
    assert refused.status == 403
    assert "half an hour" in refused.text
    assert (await coach.post("/rig/north/start", {"csrf": csrf, "arming": "nonce-0001"})).status == 403
    assert (await coach.post("/rig/north/stop", {"csrf": csrf})).status == 303
    assert [action for action, _, _ in asked] == [RequestAction.STOP]


@pytest.mark.usefixtures("asked")
async def test_logins_end_unused_after_a_day_and_when_the_person_is_removed(site: Site, clock: Clock) -> None:
    unused = logged_in(site, Role.COACH)
    clock.now_s += UNUSED_S
    assert (await unused.get("/")).headers["location"] == "/login"
    kept, begun_s = logged_in(site, Role.OBSERVER), clock.now_s
    while clock.now_s - begun_s + UNUSED_S * 0.9 < LONGEST_S:
        clock.now_s += UNUSED_S * 0.9
        assert (await kept.get("/")).status == 200
    clock.now_s += UNUSED_S * 0.9
    assert (await kept.get("/")).headers.get("location") == "/login"
    gone = logged_in(site, Role.COACH)
    assert (await gone.get("/")).status == 200
    remove_person(site.home / "page-users.toml", "coach")
    assert (await gone.get("/")).headers["location"] == "/login"


@pytest.mark.usefixtures("asked")
async def test_logging_in_and_out(site: Site) -> None:
    somebody = caller_of(site)
    form = await somebody.get("/login")
    wrong = await somebody.post("/login", {"csrf": form.hidden("csrf"), "name": "coach", "password": "wrong"})
    assert wrong.status == 403
    assert "Name or password is wrong." in wrong.text
    nobody = await somebody.post("/login", {"csrf": form.hidden("csrf"), "name": "nobody", "password": PASSWORD})
    assert nobody.text.replace("nobody", "coach") == wrong.text
    right = await somebody.post("/login", {"csrf": form.hidden("csrf"), "name": "coach", "password": PASSWORD})
    assert (right.status, right.headers["location"]) == (303, "/")
    cookie = right.headers["set-cookie"].lower()
    assert "httponly" in cookie
    assert "samesite=strict" in cookie
    assert "secure" not in cookie
    assert (await somebody.get("/rig/north/arm")).status == 200
    before = dict(somebody.cookies)
    await somebody.post("/logout", {"csrf": await csrf_of(somebody)})
    somebody.cookies = before
    assert (await somebody.get("/")).headers["location"] == "/login", "the token is worth nothing any more"


@pytest.mark.usefixtures("asked")
async def test_tries_are_limited(site: Site, clock: Clock) -> None:
    somebody = caller_of(site)
    csrf = (await somebody.get("/login")).hidden("csrf")
    statuses = []
    for _ in range(8):
        form = {"csrf": csrf, "name": "coach", "password": "wrong"}
        statuses.append((await somebody.post("/login", form)).status)
    assert statuses == [403] * 5 + [429] * 3
    waiting = await somebody.post("/login", {"csrf": csrf, "name": "coach", "password": PASSWORD})
    assert waiting.status == 429
    assert int(waiting.headers["retry-after"]) >= 1
    clock.now_s += 1.0
    assert (await somebody.post("/login", {"csrf": csrf, "name": "coach", "password": PASSWORD})).status == 303


async def test_under_tls_the_cookie_is_secure_and_the_browser_is_told_to_stay(
    tmp_path: Path, clock: Clock, people: bytes
) -> None:
    (tmp_path / "page-users.toml").write_bytes(people)
    (tmp_path / "page-users.toml").chmod(0o600)
    site = site_of(tmp_path, clock, people=True, secure=True)
    somebody = caller_of(site, scheme="https")
    form = await somebody.get("/login")
    assert "max-age" in form.headers["strict-transport-security"]
    answer = await somebody.post("/login", {"csrf": form.hidden("csrf"), "name": "observer", "password": PASSWORD})
    assert answer.status == 303
    assert "Secure" in answer.headers["set-cookie"]
    assert answer.headers["set-cookie"].startswith("__Host-ebbset=")


async def test_a_form_to_arm_acts_once_and_needs_the_tick(site: Site, asked: Watched) -> None:
    coach = logged_in(site, Role.COACH)
    form = await coach.get("/rig/north/arm")
    sent = {"csrf": form.hidden("csrf"), "once": form.hidden("once"), "prescription": "", "profile": ""}
    unticked = await coach.post("/rig/north/arm", sent)
    assert unticked.status == 409
    assert "not ticked" in unticked.text
    assert asked == []
    ticked = {**sent, "cautions": "shown"}
    await coach.post("/rig/north/arm", ticked)
    assert [action for action, _, _ in asked] == [RequestAction.ARM]
    again = await coach.post("/rig/north/arm", ticked)
    assert again.status == 409
    assert "sent before" in again.text
    assert len(asked) == 1
    elsewhere = {**ticked, "once": site.once.new("south")}
    assert (await coach.post("/rig/north/arm", elsewhere)).status == 409
    unknown = {**ticked, "once": site.once.new("north"), "prescription": "../../etc/passwd"}
    assert "allowed: one of the list" in (await coach.post("/rig/north/arm", unknown)).text
    assert len(asked) == 1
