"""Pictures of every view of the page, in four widths, light and dark.

``python -m campaigns.page_pictures docs/images/page``. A real browser looks at a real page while a simulated lifter
does a set. The pictures are for looking at: whoever changes a view makes them again and looks. They are reduced to few
colours, so that all of them stay small.
"""

from __future__ import annotations

import argparse
import io
import re
import tempfile
from collections.abc import Iterator
from pathlib import Path
from typing import Final, Literal

from PIL import Image
from playwright.sync_api import Browser, Page

from ebbset.coaching.sessions.session_steps import SessionPlanFile
from ebbset.console.live.demonstration import demo_files
from ebbset.console.page.access.people import Role, add_person
from ebbset.models.contract.prescription import Prescription
from ebbset.models.contract.profile import LifterProfile
from tests.support.page_server import served_page
from tests.support.page_stack import RIG, STILL, Stack, chromium, stack
from tests.support.session_plans import plan, step
from tests.support.sessions import PATIENT, PATIENT_STOP

SIZES: Final = ((390, 844), (820, 1180), (1280, 800), (1920, 1080))
SCHEMES: Final[tuple[Literal["light", "dark"], ...]] = ("light", "dark")
COLOURS: Final = 48
DROPS: Final = 1
AT_WORK: Final = {
    "room": "/",
    "lifter": f"/rig/{RIG}/lifter",
    "coach": f"/rig/{RIG}/coach",
    "arm": f"/rig/{STILL}/arm",
    "stopping": f"/rig/{STILL}/stopping",
}
_PASSWORD: Final = "a long enough phrase"


def save(page: Page, path: Path, *, full: bool = False, colours: int = COLOURS) -> None:
    """Take a picture and keep it with few colours.

    Args:
        page: what to take.
        path: where to keep it.
        full: the whole page, beyond what the window shows.
        colours: how many.
    """
    taken = Image.open(io.BytesIO(page.screenshot(full_page=full))).convert("RGB")
    taken.quantize(colours, method=Image.Quantize.MEDIANCUT, dither=Image.Dither.NONE).save(path, optimize=True)


def views(browser: Browser, address: str, cookies: list[dict[str, str]] | None = None) -> Iterator[tuple[str, Page]]:
    """A page for each size and scheme, with the end of the picture's name.

    Args:
        browser: the browser.
        address: where the page is.
        cookies: cookies to begin with.
    """
    for width, height in SIZES:
        for scheme in SCHEMES:
            context = browser.new_context(
                viewport={"width": width, "height": height},
                color_scheme=scheme,
                reduced_motion="reduce",
                base_url=address,
                has_touch=width < 1000,
                is_mobile=width < 500,
            )
            if cookies is not None:
                context.add_cookies(cookies)  # type: ignore[arg-type]
            yield f"{width}-{scheme}", context.new_page()
            context.close()


def current(page: Page) -> None:
    """Wait until the view has live data."""
    for line in page.locator("[data-age]").all():
        line.filter(has_text="Current").wait_for()


def evening() -> SessionPlanFile:
    """An invented session for a picture."""
    return plan(
        step(1, rig=STILL, title="Row, straight set", may_leave_out=True),
        step(2, rig=STILL, title="Row, straight set", rest_before_s=120.0),
        step(3, "curl", rig=STILL, title="Curl, drops by 20 %", rest_before_s=90.0, may_shorten=True),
    )


async def leading(parts: Stack) -> None:
    """Have the page lead that session."""
    (parts.home / "sessions").mkdir(exist_ok=True)
    (parts.home / "sessions" / "evening.plan.toml").write_text(evening().to_toml())
    said = parts.page.page.site.desk.lead("evening")
    assert said == "", said


def begin(parts: Stack, browser: Browser) -> None:
    """Arm and start the demonstration's set from the page, and wait until the load has dropped."""
    page = browser.new_page(base_url=parts.page.address)
    page.goto(f"/rig/{RIG}/arm")
    page.get_by_label("Bench press before the last train").check()
    page.get_by_label("Lifter’s profile").select_option("demo")
    page.get_by_label(re.compile("I have shown")).check()
    page.get_by_role("button", name=f"Arm {RIG}").click()
    page.get_by_role("button", name=re.compile("Start")).click()
    wire = parts.wires[RIG]
    wire.until(lambda: sum(one["action"] == "drop" for one in wire.of("ctl/decision")) >= DROPS)
    page.close()


def take(folder: Path) -> None:
    """Take all pictures.

    Args:
        folder: where they go.
    """
    folder.mkdir(parents=True, exist_ok=True)
    with tempfile.TemporaryDirectory() as name, stack(Path(name), rig_exercise="bench_press") as parts:
        order = Prescription.from_toml(demo_files()[0])
        lifter = LifterProfile.from_toml(demo_files()[1]).lifter
        # The demonstration's set, made longer than the pictures take.
        (parts.home / "profiles" / "demo.toml").write_text(demo_files()[1])
        patient = {
            **order.model_dump(),
            "safety": PATIENT,
            "budget": {"capacity_loss": 0.8},
            "stop": {**PATIENT_STOP, "max_drops": 12, "max_duration_s": 900.0},
        }
        (parts.home / "prescriptions" / "demo.toml").write_text(Prescription.model_validate(patient).to_toml())
        with chromium() as browser:
            begin(parts, browser)
            for end, page in views(browser, parts.page.address):
                for view in ("room", "lifter", "coach"):
                    page.goto(AT_WORK[view])
                    current(page)
                    save(page, folder / f"{view}-{end}.png")
            parts.wires[RIG].until_state("ended", "idle")
            parts.page.call(leading(parts))
            for end, page in views(browser, parts.page.address):
                for view in ("arm", "stopping"):
                    page.goto(AT_WORK[view])
                    current(page)
                    save(page, folder / f"{view}-{end}.png")
                page.goto("/sessions/evening")
                current(page)
                save(page, folder / f"session-{end}.png")
                page.goto("/sessions")
                page.get_by_role("link", name=evening().name).wait_for()
                save(page, folder / f"sessions-{end}.png")
                page.goto("/lifters")
                page.get_by_role("link", name=lifter).wait_for()
                page.get_by_text("still being filled").wait_for(state="detached")
                save(page, folder / f"lifters-{end}.png")
                page.get_by_role("link", name=lifter).click()
                page.get_by_role("heading", name="Newest sets").wait_for()
                save(page, folder / f"history-{end}.png")
                page.goto("/nowhere")
                save(page, folder / f"refused-{end}.png")
                page.goto("/recordings")
                save(page, folder / f"recordings-{end}.png")
                page.locator(".list a").first.click()
                page.locator("figure").first.wait_for()
                save(page, folder / f"report-{end}.png")
            parts.end_part(f"rig-{RIG}")
            for end, page in views(browser, parts.page.address):
                page.goto(AT_WORK["coach"])
                page.locator(".stale .is-old").first.wait_for()
                save(page, folder / f"old-{end}.png")
            add_person(parts.home / "page-users.toml", "anna", Role.SITE, _PASSWORD)
            with served_page(parts.home, parts.broker.port, login=True) as guarded:
                page = browser.new_page(base_url=guarded.address)
                page.goto("/login")
                page.get_by_label("Name").fill("anna")
                page.get_by_label("Password").fill(_PASSWORD)
                page.get_by_role("button", name="Log in").click()
                page.wait_for_url(guarded.address + "/")
                cookies = page.context.cookies()
                for end, looking in views(browser, guarded.address):
                    looking.goto("/login")
                    save(looking, folder / f"login-{end}.png")
                for end, looking in views(browser, guarded.address, cookies):  # type: ignore[arg-type]
                    looking.goto("/logins")
                    save(looking, folder / f"logins-{end}.png")


def main() -> None:
    """Command line."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("folder", type=Path, help="where the pictures go")
    take(parser.parse_args().folder)


if __name__ == "__main__":
    main()
