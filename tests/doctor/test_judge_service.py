"""What is said of the daemon, its unit and the watchdogs."""

from __future__ import annotations

from dataclasses import replace

import pytest

from doctor_stage import about, complete
from tocsin.doctor import State
from tocsin.doctor.judge_service import (
    judge_daemon,
    judge_service,
    judge_watchdogs,
    span_s,
)
from tocsin.doctor.seen import DaemonSeen, ServiceSeen, WatchdogSeen

GOOD, DOUBTFUL, WRONG, UNTOLD = State.GOOD, State.DOUBTFUL, State.WRONG, State.UNTOLD

DAEMON = DaemonSeen(
    socket="/var/lib/tocsin/control.sock",
    own_version="1",
    own_sha256="aa",
    pid=7,
    step_ms=400,
    pace_ms=1_000,
    version="1",
    sha256="aa",
    watchdog_ms=30_000,
)
SHOWN = {
    "LoadState": "loaded",
    "UnitFileState": "enabled",
    "ActiveState": "active",
    "SubState": "running",
    "NRestarts": "0",
    "Restart": "always",
    "StartLimitIntervalUSec": "0",
    "WatchdogUSec": "30s",
    "ExecStart": "{ argv[]=/opt/tocsin/bin/tocsin run /etc/tocsin/site.toml ; }",
}
SERVICE = ServiceSeen(
    unit="tocsin.service",
    site="/etc/tocsin/site.toml",
    shown=SHOWN,
    manager={"RuntimeWatchdogUSec": "15s"},
    exposure=1.9,
)
DOG = WatchdogSeen(is_there=True, identity="Broadcom BCM2835", was_reset=False)


@pytest.mark.parametrize(
    ("text", "seconds"),
    [
        ("30s", 30.0),
        ("1min 30s", 90.0),
        ("500ms", 0.5),
        ("2h", 7_200.0),
        ("0", 0.0),
        ("infinity", None),
        ("", None),
    ],
)
def test_spans_are_read_as_the_service_manager_writes_them(
    text: str, seconds: float | None
) -> None:
    """systemd.time(7), "Displaying time spans"."""
    assert span_s(text) == seconds


def test_a_service_that_runs_and_is_watched_twice_is_good_throughout() -> None:
    said = complete(
        [
            *judge_service(SERVICE),
            *judge_daemon(DAEMON),
            *judge_watchdogs(SERVICE, DOG, DAEMON),
        ]
    )
    assert {f.state for f in said} == {GOOD}
    assert len(said) >= 8


@pytest.mark.parametrize(
    ("changes", "word", "state"),
    [
        ({"step_ms": 4_999}, "running daemon", GOOD),
        ({"step_ms": 5_000}, "running daemon", WRONG),
        ({"step_ms": 5_001}, "running daemon", WRONG),
        ({"step_ms": None}, "running daemon", DOUBTFUL),
        ({"is_mute": True, "pid": None}, "running daemon", WRONG),
        ({"is_forbidden": True, "pid": None}, "running daemon", UNTOLD),
        ({"trouble": "older", "pid": None}, "running daemon", UNTOLD),
        ({"pid": None}, "running daemon", DOUBTFUL),
        ({"sha256": "bb"}, "site file that runs", DOUBTFUL),
        ({"version": "0"}, "version that runs", DOUBTFUL),
    ],
)
def test_a_daemon_must_answer_decide_and_run_what_is_written(
    changes: dict[str, object], word: str, state: State
) -> None:
    said = complete(judge_daemon(replace(DAEMON, **changes)))  # type: ignore[arg-type]
    assert about(said, word).state is state


@pytest.mark.parametrize(
    ("shown", "word", "state"),
    [
        ({"LoadState": "not-found"}, "unit", WRONG),
        ({"UnitFileState": "disabled"}, "at boot", WRONG),
        ({"ActiveState": "failed", "SubState": "failed"}, "tocsin.service", WRONG),
        ({"SubState": "auto-restart"}, "tocsin.service", WRONG),
        ({"NRestarts": "1"}, "tocsin.service", DOUBTFUL),
        ({"Restart": "on-failure"}, "starting it again", WRONG),
        ({"StartLimitIntervalUSec": "10s"}, "limit of starts", WRONG),
        ({"ExecStart": "tocsin run /other.toml"}, "tocsin.service", DOUBTFUL),
    ],
)
def test_a_unit_must_start_at_boot_run_and_never_give_up(
    shown: dict[str, str], word: str, state: State
) -> None:
    said = complete(judge_service(replace(SERVICE, shown=SHOWN | shown)))
    assert state in {f.state for f in said if word in f.looked_at}
    bad = [f for f in said if f.state is not GOOD]
    assert len(bad) == 1, "and nothing else is blamed"


@pytest.mark.parametrize(
    ("exposure", "state"),
    [(1.9, GOOD), (2.0, GOOD), (2.1, DOUBTFUL), (None, UNTOLD)],
)
def test_a_sandbox_is_good_up_to_two_of_ten(
    exposure: float | None, state: State
) -> None:
    said = complete(judge_service(replace(SERVICE, exposure=exposure)))
    assert about(said, "sandbox").state is state


def test_without_a_service_manager_nothing_is_called_good() -> None:
    mute = ServiceSeen(unit="tocsin.service", site="x", trouble="nobody answers")
    nobody = replace(DAEMON, pid=None, watchdog_ms=0)
    said = complete([*judge_service(mute), *judge_watchdogs(mute, DOG, nobody)])
    assert {f.state for f in said} == {UNTOLD}


@pytest.mark.parametrize(
    ("asked", "watchdog_ms", "state"),
    [
        ("30s", 30_000, GOOD),
        ("30s", 0, WRONG),
        ("0", 0, WRONG),
        ("infinity", 0, UNTOLD),
        ("59s", 59_000, GOOD),
        ("1min", 60_000, GOOD),
        ("61s", 61_000, WRONG),
    ],
)
def test_a_daemon_that_hangs_must_be_killed_within_a_minute(
    asked: str, watchdog_ms: int, state: State
) -> None:
    service = replace(SERVICE, shown=SHOWN | {"WatchdogUSec": asked})
    daemon = replace(DAEMON, watchdog_ms=watchdog_ms)
    said = complete(judge_watchdogs(service, DOG, daemon))
    assert about(said, "daemon's watchdog").state is state


@pytest.mark.parametrize(
    ("dog", "fed", "state"),
    [
        (DOG, "14s", GOOD),
        (DOG, "15s", GOOD),
        (DOG, "16s", DOUBTFUL),
        (DOG, "0", WRONG),
        (DOG, "infinity", UNTOLD),
        (WatchdogSeen(), "15s", WRONG),
    ],
)
def test_a_machine_that_hangs_must_be_reset(
    dog: WatchdogSeen, fed: str, state: State
) -> None:
    """BCM2835: a 20-bit counter at 65536 Hz ends just under 16 s."""
    assert (1 << 20) / 65_536 == 16.0
    service = replace(SERVICE, manager={"RuntimeWatchdogUSec": fed})
    said = complete(judge_watchdogs(service, dog, DAEMON))
    assert about(said, "machine's watchdog").state is state


def test_a_start_that_the_watchdog_made_is_told() -> None:
    said = complete(judge_watchdogs(SERVICE, replace(DOG, was_reset=True), DAEMON))
    assert about(said, "last start").state is DOUBTFUL
