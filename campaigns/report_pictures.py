"""Pictures of the report for the README: the demonstration's set, simulated, as a desktop and as a phone show it.

``python -m campaigns.report_pictures docs/images``. Whoever changes the report makes them again and looks.
"""

from __future__ import annotations

import argparse
import subprocess
import sys
import tempfile
from pathlib import Path
from typing import Final, Literal

from campaigns.page_pictures import save
from ebbset.console.live.demonstration import demo_files
from tests.support.page_stack import chromium

SHOTS: Final[dict[str, tuple[int, int, Literal["light", "dark"]]]] = {
    "report-desktop": (1280, 2500, "light"),
    "report-phone-dark": (390, 1900, "dark"),
}
"""Name -> width and height in pixels, and scheme."""


def report(folder: Path) -> Path:
    """Simulate the demonstration's set and make its page.

    Args:
        folder: for both.
    """
    order, profile = demo_files()
    (folder / "set.toml").write_text(order)
    (folder / "profile.toml").write_text(profile)
    ebbset = Path(sys.executable).with_name("ebbset")
    for words in (
        ("simulate", "set.toml", "--profile", "profile.toml", "--record", "set.mcap"),
        ("report", "set.mcap", "--page", "set.html"),
    ):
        subprocess.run([ebbset, *words], cwd=folder, check=True, capture_output=True)
    return folder / "set.html"


def main() -> None:
    """Take all pictures."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("into", type=Path, help="folder for the pictures")
    into = parser.parse_args().into
    with tempfile.TemporaryDirectory(prefix="ebbset-report-") as folder, chromium() as browser:
        page_file = report(Path(folder))
        for name, (width, height, scheme) in SHOTS.items():
            page = browser.new_page(viewport={"width": width, "height": height}, color_scheme=scheme)
            page.goto(page_file.as_uri())
            save(page, into / f"{name}.png", colours=128)


if __name__ == "__main__":
    main()
