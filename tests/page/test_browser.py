"""The page in a real browser, on a real daemon: what an owner sees and may do."""

from __future__ import annotations

import json
import os
import shutil
import signal
import subprocess
import tempfile
from pathlib import Path
from typing import TYPE_CHECKING, Any

import pytest
from selenium.webdriver.common.by import By
from selenium.webdriver.common.keys import Keys
from selenium.webdriver.support.ui import WebDriverWait

from browser import PHONE, browser, looks_like
from cut_line import relayed
from page_records import kept
from page_stage import PATIENCE_S, TOKEN, Served, daemon
from tocsin.prove.records import Verdict

if TYPE_CHECKING:
    from collections.abc import Iterator

    from selenium.webdriver import Chrome

STALE_WITHIN_MS = 5_000
LIVE_WITHIN_MS = 1_000
SWITCH = '[[input]]\nname = "working"\nrole = "maintenance"\n'
LOW_V, ALARM = 2_950, "low-cell"
ROOT = Path(__file__).parents[2]
AXE = ROOT / ".tools" / "node_modules" / "axe-core" / "axe.min.js"
AXE_VERSION = "4.10.3"

WATCH = """
window.seen = {lags: [], at: 0, stale: 0};
new MutationObserver(() => {
  const at = document.getElementById("at");
  window.seen.at = performance.now();
  window.seen.lags.push(Date.now() - Date.parse(at.dateTime));
}).observe(document.getElementById("at"), {attributes: true});
new MutationObserver(() => {
  if (document.body.classList.contains("stale")) window.seen.stale = performance.now();
}).observe(document.body, {attributes: true});
"""


@pytest.fixture(scope="module")
def stage(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Served]:
    with daemon(tmp_path_factory.mktemp("page"), SWITCH) as served:
        served.online()
        yield served


@pytest.fixture(scope="module")
def chrome(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Chrome]:
    with browser(tmp_path_factory.mktemp("profile")) as driver:
        yield driver


def until(driver: Chrome, done: Any) -> Any:
    return WebDriverWait(driver, PATIENCE_S, 0.1).until(done)


def is_stale(driver: Chrome) -> bool:
    classes = driver.find_element(By.TAG_NAME, "body").get_attribute("class")
    return "stale" in (classes or "").split()


def is_live(driver: Chrome) -> bool:
    return not is_stale(driver)


def opened(driver: Chrome, port: int) -> Chrome:
    driver.get(f"http://127.0.0.1:{port}/")
    until(driver, is_live)
    driver.execute_script(WATCH)
    return driver


def words(driver: Chrome, of: str) -> str:
    return driver.find_element(By.ID, of).text


def until_stale(driver: Chrome) -> float:
    """Wait for the banner; return how long after the last news it came, in ms."""
    until(driver, is_stale)
    assert "No word from the daemon" in words(driver, "stale")
    seen: dict[str, float] = driver.execute_script("return window.seen")
    return seen["stale"] - seen["at"]


def test_the_first_screen_answers_the_four_questions(
    stage: Served, chrome: Chrome
) -> None:
    driver = opened(chrome, stage.port)
    until(driver, lambda d: words(d, "headline") == "All is well")
    assert (
        words(driver, "big") == "Time not known"
    )  # the packs are not known long enough
    assert "Nothing has to happen." in words(driver, "steps")
    assert words(driver, "todo") == "Nothing."
    assert not driver.find_elements(By.CSS_SELECTOR, "#stale p")


def test_a_step_is_on_the_screen_within_a_second(stage: Served, chrome: Chrome) -> None:
    driver = opened(chrome, stage.port)
    stage.whole.cell("left", 3, 3_311)
    until(driver, lambda d: "Highest cell 3: 3.311 V" in words(d, "cell-packs"))
    until(driver, lambda d: d.execute_script("return window.seen.lags.length > 8"))
    lags = sorted(driver.execute_script("return window.seen.lags"))
    assert lags[len(lags) // 2] <= LIVE_WITHIN_MS, lags
    stage.whole.cell("left", 3, 3_299)


def test_a_stopped_daemon_looks_stale_within_five_seconds(
    stage: Served, chrome: Chrome
) -> None:
    driver = opened(chrome, stage.port)
    stage.process.send_signal(signal.SIGSTOP)
    try:
        assert until_stale(driver) <= STALE_WITHIN_MS
        shade = driver.find_element(By.TAG_NAME, "main").value_of_css_property("filter")
        assert shade == "grayscale(1)"
    finally:
        stage.process.send_signal(signal.SIGCONT)
    until(driver, is_live)


def test_a_cut_line_looks_stale_and_heals_by_itself(
    stage: Served, chrome: Chrome
) -> None:
    with relayed(stage.port) as line:
        driver = opened(chrome, line.port)
        line.whole.clear()
        assert until_stale(driver) <= STALE_WITHIN_MS
        line.whole.set()
        until(driver, is_live)
        driver.get("about:blank")


@pytest.fixture(scope="module")
def alarmed(stage: Served) -> Served:
    """The daemon with a cell below its alarm limit."""
    stage.whole.cell("right", 11, LOW_V)
    stage.wait(
        "/api/now",
        lambda now: any(
            a["alarm"] == ALARM and a["state"] == "unacknowledged"
            for a in now["alarms"]
        ),
    )
    return stage


def state(stage: Served) -> str:
    _, _, now = stage.ask("GET", "/api/now")
    return str(next(a["state"] for a in now["alarms"] if a["alarm"] == ALARM))


def acknowledge(driver: Chrome) -> None:
    css = f"button[data-verb=acknowledge][aria-label*='{ALARM},']"
    button = until(driver, lambda d: d.find_element(By.CSS_SELECTOR, css))
    driver.execute_script("arguments[0].scrollIntoView({block: 'center'})", button)
    button.click()


def test_without_the_token_nothing_is_acknowledged(
    alarmed: Served, chrome: Chrome
) -> None:
    driver = opened(chrome, alarmed.port)
    until(driver, lambda d: words(d, "headline") == "Act now")
    acknowledge(driver)
    token = driver.find_element(By.ID, "token")
    until(driver, lambda _: token.is_displayed())
    token.send_keys("not-the-token-at-all", Keys.ENTER)
    until(driver, lambda d: words(d, "door-said") == "No: that is not the token.")
    assert state(alarmed) == "unacknowledged"
    token.send_keys(Keys.ESCAPE)


def test_with_the_token_it_is(alarmed: Served, chrome: Chrome) -> None:
    driver = opened(chrome, alarmed.port)
    acknowledge(driver)
    token = driver.find_element(By.ID, "token")
    until(driver, lambda _: token.is_displayed())
    token.send_keys(TOKEN, Keys.ENTER)
    until(driver, lambda d: "Done: acknowledge" in words(d, "said"))
    assert state(alarmed) == "acknowledged"
    _, _, told = alarmed.ask("GET", "/api/journal?kind=command&last=1")
    assert "by page, 127.0.0.1: done" in told["rows"][0]["words"]
    (cookie,) = driver.get_cookies()
    assert (cookie["httpOnly"], cookie["sameSite"]) == (True, "Strict")
    assert driver.execute_script("return document.cookie") == ""


def test_the_past_can_be_seen_down_to_the_hour(stage: Served, chrome: Chrome) -> None:
    stage.wait("/api/history", lambda told: told["to_ms"])
    driver = opened(chrome, stage.port)
    driver.execute_script("document.getElementById('past').scrollIntoView()")
    until(driver, lambda d: d.find_elements(By.CSS_SELECTOR, "#plot polyline"))
    assert "left: Cells" in words(driver, "plot-said")
    when = driver.find_element(By.ID, "p-when")
    driver.execute_script(
        "arguments[0].value = '2026-01-02T03:00';"
        "arguments[0].dispatchEvent(new Event('change'))",
        when,
    )
    until(driver, lambda d: words(d, "plot-said").endswith("nothing."))
    rows = until(
        driver, lambda d: d.find_elements(By.CSS_SELECTOR, "#journal tbody tr")
    )
    assert len(rows) > 3
    assert "No record yet" in words(driver, "tests")


def test_a_switch_is_there_with_what_it_says(stage: Served, chrome: Chrome) -> None:
    driver = opened(chrome, stage.port)
    until(driver, lambda d: "working maintenance, off since" in words(d, "input-list"))


def test_the_record_of_a_test_can_be_read_and_printed(
    stage: Served, chrome: Chrome
) -> None:
    kept(stage.folder / "journal", 20_000, Verdict.PASS)
    driver = opened(chrome, stage.port)
    driver.execute_script("document.getElementById('tests').scrollIntoView()")
    link = until(driver, lambda d: d.find_element(By.CSS_SELECTOR, "#tests a"))
    assert link.text == "Read or print the record of 2024-10-04"
    complaints(driver)
    driver.get(link.get_attribute("href"))
    assert "the warden" in driver.find_element(By.TAG_NAME, "body").text
    borders = driver.execute_script(
        "return getComputedStyle(document.querySelector('table')).borderCollapse"
    )
    assert borders == "collapse"  # its own style is let in
    assert [c for c in complaints(driver) if "favicon" not in c["message"]] == []


def complaints(driver: Chrome) -> list[dict[str, str]]:
    """Return what the browser complained of since the last time."""
    said: list[dict[str, str]] = driver.get_log("browser")  # type: ignore[no-untyped-call]
    return [entry for entry in said if entry["level"] in {"SEVERE", "WARNING"}]


def test_the_page_asks_for_nothing_else_and_the_policy_is_never_broken(
    stage: Served, chrome: Chrome
) -> None:
    complaints(chrome)
    driver = opened(chrome, stage.port)
    assert complaints(driver) == []
    names = driver.execute_script(
        "return performance.getEntriesByType('resource').map((e) => e.name)"
    )
    assert names
    assert all(name.startswith(f"{stage.url}/") for name in names), names


def axe() -> str:
    """Return axe-core, installed with npm where it is missing."""
    if not AXE.exists():
        npm = shutil.which("npm")
        if npm is None:
            pytest.fail("npm is missing: sudo apt install npm, or TOCSIN_WITHOUT_AXE=1")
        # Apart from the other process of this test run, which may do the same.
        with tempfile.TemporaryDirectory() as apart:
            done = subprocess.run(
                (
                    *(npm, "install", "--prefix", apart, "--no-save", "--no-audit"),
                    *("--no-fund", f"axe-core@{AXE_VERSION}"),
                ),
                check=False,
                capture_output=True,
                text=True,
            )
            assert done.returncode == 0, done.stderr
            found = Path(apart, *AXE.parts[-3:]).read_text("utf-8")
        AXE.parent.mkdir(parents=True, exist_ok=True)
        begun = AXE.with_name(f"{os.getpid()}")
        begun.write_text(found, "utf-8")
        begun.replace(AXE)
    return AXE.read_text("utf-8")


@pytest.mark.skipif(
    "TOCSIN_WITHOUT_AXE" in os.environ,
    reason="ACCESSIBILITY NOT CHECKED: TOCSIN_WITHOUT_AXE is set",
)
@pytest.mark.parametrize("is_old", [False, True], ids=["live", "stale"])
def test_no_serious_fault_keeps_anybody_out(
    alarmed: Served, chrome: Chrome, *, is_old: bool
) -> None:
    """WCAG 2.2 A and AA, as far as axe-core can see, by day and by night."""
    looks_like(chrome, PHONE)
    driver = opened(chrome, alarmed.port)
    driver.execute_script("document.getElementById('past').scrollIntoView()")
    until(driver, lambda d: d.find_elements(By.CSS_SELECTOR, "#journal tbody tr"))
    driver.execute_script(axe())
    if is_old:
        alarmed.process.send_signal(signal.SIGSTOP)
    try:
        if is_old:
            until(driver, is_stale)
        for dark in (False, True):
            looks_like(driver, PHONE, dark=dark)
            told = driver.execute_async_script(
                "axe.run(document, {resultTypes: ['violations']})"
                ".then((r) => arguments[0](r.violations))"
            )
            found = [
                (v["impact"], v["id"], [n["target"] for n in v["nodes"]])
                for v in told
                if v["impact"] in {"serious", "critical"}
            ]
            assert found == [], json.dumps(found, indent=1)
    finally:
        alarmed.process.send_signal(signal.SIGCONT)
