"""The service unit: what systemd.service(5) and systemd.exec(5) make of it."""

from __future__ import annotations

import re
import subprocess
import tomllib
from configparser import RawConfigParser
from pathlib import Path

import pytest

DEPLOY = Path(__file__).parents[2] / "deploy"
STOPS_WITHIN_S = 5.0
PARTS = [DEPLOY / "install.sh", *sorted((DEPLOY / "install").glob("*.sh"))]
INSTALLER = "\n".join(part.read_text(encoding="utf-8") for part in PARTS)
UNIT = (DEPLOY / "tocsin.service").read_text(encoding="utf-8")


@pytest.fixture(scope="module")
def unit() -> RawConfigParser:
    """The unit by key; of a key that stands more than once the last line."""
    read = RawConfigParser(strict=False)
    read.optionxform = str  # type: ignore[method-assign,assignment]
    read.read_string(UNIT)
    return read


def test_the_service_manager_waits_until_the_daemon_decides(
    unit: RawConfigParser,
) -> None:
    assert unit["Service"]["Type"] == "notify"
    assert unit["Service"]["NotifyAccess"] == "main"


def test_a_loop_that_hangs_is_killed_and_started_again_for_ever(
    unit: RawConfigParser,
) -> None:
    service = unit["Service"]
    assert 2 <= float(service["WatchdogSec"]) <= 60
    assert service["WatchdogSignal"] == "SIGKILL"
    assert service["Restart"] == "always"
    assert unit["Unit"]["StartLimitIntervalSec"] == "0"
    assert 0 < float(service["RestartSec"]) <= 10


def test_it_starts_again_soon_at_first_and_then_less_often(
    unit: RawConfigParser,
) -> None:
    """RestartSteps= and RestartMaxDelaySec= go together: systemd.service(5), 254."""
    service = unit["Service"]
    assert float(service["RestartSec"]) < float(service["RestartMaxDelaySec"]) <= 30
    assert int(service["RestartSteps"]) > 1


def test_it_runs_what_the_installer_installs(unit: RawConfigParser) -> None:
    program, command, site = unit["Service"]["ExecStart"].split()
    assert command == "run"
    assert program == "/opt/tocsin/current/bin/tocsin"
    assert site == "/etc/tocsin/site.toml"
    assert 'point "$OPT/current"' in INSTALLER
    page = unit["Unit"]["Documentation"].removeprefix("file://")
    assert page == "/opt/tocsin/current/README.md"
    assert '"$DEPLOY/../README.md"; do' in INSTALLER


def test_it_is_never_root_and_gains_nothing(unit: RawConfigParser) -> None:
    service = unit["Service"]
    assert service["User"] not in {"", "root", "0"}
    assert service["Group"] not in {"", "root", "0"}
    assert f"getent passwd {service['User']} " in INSTALLER
    assert service["NoNewPrivileges"] == "yes"
    assert service["CapabilityBoundingSet"] == ""
    assert service["ProtectSystem"] == "strict"
    assert service["ProtectHome"] == "yes"


def analyzed(folder: Path, *, unit: str) -> tuple[float, list[str]]:
    """Return systemd's own figure for *unit*, and what it finds left to attack."""
    (folder / "tocsin.service").write_text(unit)
    done = subprocess.run(
        ["systemd-analyze", "security", "--offline=yes", "--no-pager",
         folder / "tocsin.service"],
        capture_output=True, text=True, check=True,
    )  # fmt: skip
    figure = re.search(r"exposure level for \S+: ([\d.]+)", done.stdout)
    assert figure is not None, done.stdout
    left = re.findall(r"^✗ (\S+)", done.stdout, re.MULTILINE)
    return float(figure[1]), left


def test_systemd_itself_counts_little_exposure_and_each_point_left_is_explained(
    tmp_path: Path,
) -> None:
    figure, left = analyzed(tmp_path, unit=UNIT)
    assert figure <= 2.0
    explained = (DEPLOY / "README.md").read_text()
    assert left
    for point in left:
        named = point.replace("~…", "~AF_CAN").replace("|", r"\|")
        assert f"| `{named}` |" in explained, point
    assert f"exposure {figure}" in explained


def test_the_figure_can_be_too_high(tmp_path: Path) -> None:
    bare = re.sub(r"^(Protect|Restrict|System|Capab).*\n", "", UNIT, flags=re.MULTILINE)
    figure, _ = analyzed(tmp_path, unit=bare)
    assert figure > 2.0


def test_systemd_takes_every_line_that_its_version_knows(tmp_path: Path) -> None:
    """252 (Debian 12) does not know two lines and says so; nothing else is odd."""
    for name in ("tocsin.service", "system/tocsin-can@.service"):
        text = (DEPLOY / name).read_text()
        text = text.replace("/opt/tocsin/current/bin/tocsin", "/bin/true")
        (tmp_path / Path(name).name).write_text(text)
    done = subprocess.run(
        ["systemd-analyze", "verify", "--man=no", *tmp_path.iterdir()],
        capture_output=True, text=True, check=False,
    )  # fmt: skip
    odd = [
        line
        for line in done.stderr.splitlines()
        if str(tmp_path) in line
        and not re.search("Unknown key.*'(RestartSteps|RestartMaxDelaySec)'", line)
    ]
    assert odd == []


def test_an_adapter_that_is_plugged_in_later_may_be_used(
    unit: RawConfigParser,
) -> None:
    """A device class counts only if its driver is in /proc/devices at the start."""
    modules = (DEPLOY / "system/modules.conf").read_text().split("\n")
    assert {"usbserial", "cdc_acm"} <= {*modules}
    allowed = re.findall(r"^DeviceAllow=(\S+) rw$", UNIT, re.MULTILINE)
    assert {"char-gpiochip", "char-ttyUSB", "char-ttyACM", "char-ttyAMA"} <= {*allowed}
    assert unit["Service"]["DevicePolicy"] == "closed"


def test_the_hardware_watchdog_asks_for_no_more_than_a_pi_can_hold() -> None:
    """Linux, drivers/watchdog/bcm2835_wdt.c: 20 bits at 65,536 ticks a second."""
    most_s = (2**20 - 1) / 65_536
    text = (DEPLOY / "system/watchdog.conf").read_text()
    found = re.search(r"^RuntimeWatchdogSec=(\d+)$", text, re.MULTILINE)
    assert found is not None
    assert 5 <= int(found[1]) < most_s


def test_a_can_interface_is_never_brought_up_at_a_guessed_rate() -> None:
    text = (DEPLOY / "system/tocsin-can@.service").read_text()
    assert "ConditionPathExists=/etc/tocsin/can/%i.conf" in text
    assert "bitrate ${BITRATE} restart-ms ${RESTART_MS}" in text
    assert "BITRATE=" not in text.replace("${BITRATE}", "").split("Environment=")[0]
    example = (DEPLOY / "system/can0.conf.example").read_text()
    assert "\nBITRATE=250000\n" in example


def test_it_may_reach_pins_and_serial_lines(unit: RawConfigParser) -> None:
    groups = unit["Service"]["SupplementaryGroups"].split()
    assert {"gpio", "dialout"} <= set(groups)
    assert "for group in gpio dialout" in INSTALLER


def test_it_may_write_where_the_sample_site_keeps_its_journal(
    unit: RawConfigParser,
) -> None:
    """systemd.exec(5): StateDirectory= is below /var/lib."""
    sample = tomllib.loads((DEPLOY / "sites" / "fern-ridge.toml").read_text())
    folder = f"/var/lib/{unit['Service']['StateDirectory']}"
    assert sample["journal"]["folder"] == folder
    assert unit["Service"]["WorkingDirectory"] == folder
    mode = int(unit["Service"]["StateDirectoryMode"], 8)
    assert mode & 0o007 == 0, "a stranger reads no journal"


def test_it_is_given_the_time_it_promises_to_stop_in(unit: RawConfigParser) -> None:
    assert float(unit["Service"]["TimeoutStopSec"]) > STOPS_WITHIN_S


def test_every_line_is_a_setting_a_section_or_a_remark() -> None:
    """A remark behind a value would be part of it: systemd.syntax(7)."""
    for line in UNIT.splitlines():
        assert re.fullmatch(r"|#.*|\[\w+\]|[A-Z]\w+=[^#]*", line), line
