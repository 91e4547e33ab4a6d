"""A real browser: Chromium and its driver, of Debian, without a window."""

from __future__ import annotations

import shutil
from contextlib import contextmanager
from typing import TYPE_CHECKING

import pytest
from selenium import webdriver
from selenium.webdriver.chrome.options import Options
from selenium.webdriver.chrome.service import Service

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

PHONE = (390, 844)
DESKTOP = (1_440, 900)
FLAGS = (
    *("--headless", "--no-sandbox", "--disable-gpu", "--disable-quic"),
    *("--no-first-run", "--disable-background-networking"),
    *("--disable-component-update", "--disable-sync", "--disable-dev-shm-usage"),
)


def program(name: str) -> str:
    """Return the path of a program, or fail: a skipped test would look green."""
    path = shutil.which(name)
    if path is None:
        pytest.fail(f"{name} is missing: sudo apt install chromium chromium-driver")
    return path


@contextmanager
def browser(
    folder: Path, size: tuple[int, int] = DESKTOP, *, dark: bool = False
) -> Iterator[webdriver.Chrome]:
    """Run a browser with a profile of its own in *folder*; *size* is what it shows."""
    options = Options()
    options.binary_location = program("chromium")
    for flag in (*FLAGS, f"--user-data-dir={folder}"):
        options.add_argument(flag)
    options.set_capability("goog:loggingPrefs", {"browser": "ALL"})
    driver = webdriver.Chrome(options, Service(program("chromedriver")))
    try:
        driver.set_page_load_timeout(60)
        driver.set_script_timeout(60)
        looks_like(driver, size, dark=dark)
        yield driver
    finally:
        driver.quit()


def looks_like(
    driver: webdriver.Chrome, size: tuple[int, int], *, dark: bool = False
) -> None:
    """Let the browser show so many pixels, by day or by night."""
    driver.execute_cdp_cmd(
        "Emulation.setDeviceMetricsOverride",
        {
            "width": size[0],
            "height": size[1],
            "deviceScaleFactor": 1,
            "mobile": size[0] < 700,
        },
    )
    scheme = {"name": "prefers-color-scheme", "value": "dark" if dark else "light"}
    driver.execute_cdp_cmd("Emulation.setEmulatedMedia", {"features": [scheme]})
