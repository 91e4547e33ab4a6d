"""The service unit: what systemd.service(5) and systemd.exec(5) make of it."""

from __future__ import annotations

import re
import tomllib
from configparser import RawConfigParser
from pathlib import Path

import pytest

DEPLOY = Path(__file__).parents[2] / "deploy"
STOPS_WITHIN_S = 5.0
INSTALLER = (DEPLOY / "install.sh").read_text(encoding="utf-8")


@pytest.fixture(scope="module")
def unit() -> RawConfigParser:
    read = RawConfigParser(strict=True)
    read.optionxform = str  # type: ignore[method-assign,assignment]
    read.read_string((DEPLOY / "tocsin.service").read_text(encoding="utf-8"))
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


def test_it_runs_what_the_installer_installs(unit: RawConfigParser) -> None:
    program, command, site = unit["Service"]["ExecStart"].split()
    assert command == "run"
    assert Path(program).name == "tocsin"
    assert f"venv --system-site-packages {Path(program).parents[1]}\n" in INSTALLER
    assert f"deploy/sites/fern-ridge.toml {site}\n" in INSTALLER
    page = unit["Unit"]["Documentation"].removeprefix("file://")
    assert f"README.md {page}\n" in INSTALLER


def test_it_is_never_root_and_gains_nothing(unit: RawConfigParser) -> None:
    service = unit["Service"]
    assert service["User"] not in {"", "root", "0"}
    assert service["Group"] not in {"", "root", "0"}
    assert f"getent passwd {service['User']} " in INSTALLER
    assert service["NoNewPrivileges"] == "yes"
    assert service["ProtectSystem"] == "strict"
    assert service["ProtectHome"] == "yes"


def test_it_may_reach_pins_and_serial_lines(unit: RawConfigParser) -> None:
    groups = unit["Service"]["SupplementaryGroups"].split()
    assert {"gpio", "dialout"} <= set(groups)
    assert "groupadd --system gpio" in INSTALLER


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
    for line in (DEPLOY / "tocsin.service").read_text().splitlines():
        assert re.fullmatch(r"|#.*|\[\w+\]|[A-Z]\w+=[^#]+", line), line
