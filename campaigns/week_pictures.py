"""Pictures of a simulated week: a session's view, the lifter's history and the session's report.

``python -m campaigns.week_pictures docs/images``. Takes lifter a7 of `examples/a_week.py` through a week, unless
``--week`` names a folder that holds one, and looks at it with a real browser. The pictures are for looking at.
"""

from __future__ import annotations

import argparse
import subprocess
import sys
import tempfile
from pathlib import Path
from typing import Final

from playwright.sync_api import Browser

from campaigns.page_pictures import save
from tests.support.brokers import mosquitto
from tests.support.page_server import served_page
from tests.support.page_stack import chromium

LIFTER: Final = "a7"
SESSION: Final = f"{LIFTER}-monday"
_ROOT: Final = Path(__file__).parents[1]
_EBBSET: Final = (sys.executable, "-c", "import sys; from ebbset.console.entry import main; sys.exit(main())")


def made(home: Path) -> Path:
    """The folder, with a week in it.

    Args:
        home: where it goes.
    """
    subprocess.run([sys.executable, str(_ROOT / "examples" / "a_week.py"), str(home), LIFTER], check=True)
    return home


def take(home: Path, folder: Path) -> None:
    """Take all pictures.

    Args:
        home: folder of a week.
        folder: where they go.
    """
    # All of it, since the page shows what it has while it still fills the store.
    add = (*_EBBSET, "history", "add", "--home", str(home))
    subprocess.run(add, check=True, stdout=subprocess.DEVNULL)
    report = folder / "session-report.html"
    command = (*_EBBSET, "session", "report", SESSION, "--home", str(home), "--page", str(report))
    subprocess.run(command, check=True, stdout=subprocess.DEVNULL)
    with tempfile.TemporaryDirectory() as name, mosquitto(Path(name)) as broker, chromium() as browser:
        try:
            look(browser, report.resolve().as_uri(), folder / "week-report.png", height=900)
        finally:
            report.unlink()
        with served_page(home, broker.port) as page:
            look(browser, f"{page.address}/lifters/{LIFTER}", folder / "week-history.png", height=1_500)
            look(browser, f"{page.address}/sessions/{SESSION}", folder / "week-session.png", height=1_000)


def look(browser: Browser, address: str, path: Path, *, height: int = 800) -> None:
    """Open a page, and keep a picture of it.

    Args:
        browser: the browser.
        address: of the page.
        path: where the picture goes.
        height: of the window, pixels.
    """
    context = browser.new_context(viewport={"width": 1_280, "height": height}, reduced_motion="reduce")
    page = context.new_page()
    answer = page.goto(address)
    assert answer is None or answer.ok, f"{address}: {answer.status if answer else 'no answer'}"
    save(page, path)
    context.close()


def main() -> None:
    """Command line."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("folder", type=Path, help="where the pictures go")
    parser.add_argument("--week", type=Path, help="home folder of a week that was made before")
    asked = parser.parse_args()
    if asked.week is not None:
        take(asked.week, asked.folder)
        return
    with tempfile.TemporaryDirectory() as name:
        take(made(Path(name)), asked.folder)


if __name__ == "__main__":
    main()
