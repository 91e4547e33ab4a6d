"""Pictures of the page to look at: phone and desktop, by day and by night.

    python tests/page/pictures.py FOLDER

Three states each: all is well, an alarm that asks for action, and a daemon that has
stopped. For each the first screen and what is below it.
"""

from __future__ import annotations

import signal
import sys
import tempfile
import time
from pathlib import Path
from typing import TYPE_CHECKING

sys.path.insert(0, str(Path(__file__).parents[1] / "support"))

from browser import DESKTOP, PHONE, browser, looks_like
from page_stage import Served, daemon

if TYPE_CHECKING:
    from selenium.webdriver import Chrome

SETTLING_S = 2.0
STALE_S = 6.0
SCREENS = 5


def save(driver: Chrome, folder: Path, name: str) -> None:
    """Save every screen, from the top down, by day and by night."""
    for size_name, size in (("phone", PHONE), ("desktop", DESKTOP)):
        for dark in (False, True):
            looks_like(driver, size, dark=dark)
            for i in range(SCREENS):
                at = i * (size[1] - 60)
                driver.execute_script(
                    f"window.scrollTo({{top: {at}, behavior: 'instant'}})"
                )
                time.sleep(0.3)
                mode = "dark" if dark else "light"
                path = folder / f"{name}-{size_name}-{mode}-{i}.png"
                driver.save_screenshot(str(path))


def all_of_it(stage: Served, driver: Chrome, folder: Path) -> None:
    """Go through the three states."""
    driver.get(stage.url)
    time.sleep(SETTLING_S)
    driver.execute_script("document.getElementById('tests').scrollIntoView()")
    time.sleep(SETTLING_S)
    save(driver, folder, "well")
    stage.whole.cell("right", 11, 2_930)
    stage.whole.set("left", current_da=-610)
    stage.whole.set("right", current_da=-580)
    stage.wait(
        "/api/now", lambda now: any(a["priority"] == "high" for a in now["alarms"])
    )
    time.sleep(30)
    save(driver, folder, "act")
    stage.process.send_signal(signal.SIGSTOP)
    time.sleep(STALE_S)
    save(driver, folder, "stale")
    stage.process.send_signal(signal.SIGCONT)


def main() -> int:
    """Take the pictures."""
    if len(sys.argv) != 2:
        print(__doc__)
        return 2
    folder = Path(sys.argv[1])
    folder.mkdir(parents=True, exist_ok=True)
    with (
        tempfile.TemporaryDirectory() as place,
        daemon(Path(place)) as stage,
        browser(Path(place) / "profile") as driver,
    ):
        stage.online()
        all_of_it(stage, driver, folder)
    return 0


if __name__ == "__main__":
    sys.exit(main())
