"""Judges the running daemon, its unit and the watchdogs. Pure.

Properties: systemd.service(5), systemd-system.conf(5). The board's own watchdog counts
to just under 16 s (Broadcom BCM2835, a 20-bit counter at 65536 Hz).
"""

from __future__ import annotations

import re
from typing import TYPE_CHECKING

from tocsin.doctor.finding import Topic, doubtful, good, untold, wrong

if TYPE_CHECKING:
    from collections.abc import Iterator

    from tocsin.doctor.finding import Finding
    from tocsin.doctor.seen import DaemonSeen, ServiceSeen, WatchdogSeen

LONGEST_HARDWARE_S = 15.0
"""What every board's watchdog can count to."""

LONGEST_WATCHDOG_S = 60.0
EXPOSURE = 2.0
"""Of 10, by ``systemd-analyze security``; what our own unit keeps below."""

LATE_STEPS = 5
"""Steps that may be missing before the daemon counts as hung."""

UNITS_S = {"us": 1e-6, "ms": 1e-3, "s": 1.0, "min": 60.0, "h": 3_600.0}
UNITS_S |= {"d": 86_400.0, "w": 604_800.0}


def span_s(text: str) -> float | None:
    """Return seconds of what systemd shows, such as ``1min 30s``; None for none.

    "infinity" and an empty text are none; a watchdog of 0 is off.
    """
    parts = re.findall(r"([\d.]+)(us|ms|min|s|h|d|w)", text)
    if not parts:
        return 0.0 if text == "0" else None
    return sum(float(count) * UNITS_S[unit] for count, unit in parts)


def judge_daemon(seen: DaemonSeen) -> Iterator[Finding]:
    """Judge whether a daemon runs, decides, and runs what is written now."""
    what = "the running daemon"
    if seen.is_mute:
        yield wrong(
            Topic.DAEMON,
            what,
            f"it listens on {seen.socket} and does not answer",
            "it hangs: outputs stand where they were until its watchdog kills it",
            "systemctl restart the unit; keep the journal and the system's log",
        )
    elif seen.is_forbidden:
        yield untold(
            Topic.DAEMON,
            what,
            f"{seen.socket} may be opened by its group only",
            "whether it decides is not known",
            "run doctor as root, or as a user in the daemon's group",
        )
    elif seen.pid is None and seen.trouble:
        yield untold(
            Topic.DAEMON,
            what,
            seen.trouble,
            "whether it decides is not known",
            "is it another version? restart it",
        )
    elif seen.pid is None:
        yield doubtful(
            Topic.DAEMON,
            what,
            f"none answers on {seen.socket}",
            "nothing decides: permits are down, and nobody is warned",
            "systemctl start the unit, or tocsin run SITE to try",
        )
    else:
        yield _steps(seen, what)
        yield from _same(seen)


def _steps(seen: DaemonSeen, what: str) -> Finding:
    if seen.step_ms is None:
        return doubtful(
            Topic.DAEMON,
            what,
            f"process {seen.pid}, and no step yet",
            "it has only just begun, or it cannot begin",
            "run doctor again in a few seconds",
        )
    said = f"process {seen.pid}, last completed step {seen.step_ms / 1000:.1f} s ago"
    if seen.step_ms >= LATE_STEPS * seen.pace_ms:
        return wrong(
            Topic.DAEMON,
            what,
            f"{said}; one is due every {seen.pace_ms / 1000:g} s",
            "it does not decide: outputs stand where they were",
            "systemctl restart the unit; keep the journal and the system's log",
        )
    return good(Topic.DAEMON, what, said)


def _same(seen: DaemonSeen) -> Iterator[Finding]:
    if seen.sha256 != seen.own_sha256:
        yield doubtful(
            Topic.DAEMON,
            "the site file that runs",
            "it was changed since the daemon read it",
            "what is written there is not what is done",
            "tocsin check SITE, then restart the daemon and prove what changed",
        )
    else:
        yield good(Topic.DAEMON, "the site file that runs", "the one on the disk")
    if seen.version != seen.own_version:
        yield doubtful(
            Topic.DAEMON,
            "the version that runs",
            f"{seen.version} runs, {seen.own_version} is installed",
            "an upgrade has not taken effect",
            "restart the daemon",
        )


def judge_service(seen: ServiceSeen) -> Iterator[Finding]:
    """Judge the unit: there, enabled, active, how often it was started again."""
    what = f"the unit {seen.unit}"
    if seen.trouble:
        yield untold(
            Topic.SERVICE,
            what,
            seen.trouble,
            "whether anybody starts the daemon, and starts it again, is not known",
            f"systemctl status {seen.unit}",
        )
        return
    shown = seen.shown
    if shown.get("LoadState") != "loaded":
        yield wrong(
            Topic.SERVICE,
            what,
            f"{shown.get('LoadState') or 'unknown'} to the service manager",
            "nobody starts the daemon after a power cut, and nobody restarts it",
            "sudo sh deploy/install.sh, or give its name with --unit",
        )
        return
    yield _enabled(seen, what)
    yield _active(seen, what)
    yield from _policy(seen)
    if seen.site and seen.site not in shown.get("ExecStart", ""):
        yield doubtful(
            Topic.SERVICE,
            what,
            f"it does not start with {seen.site}",
            "the service runs another site file",
            "give doctor the file that the service runs",
        )
    yield from _exposure(seen, what)


def _enabled(seen: ServiceSeen, what: str) -> Finding:
    state = seen.shown.get("UnitFileState", "")
    if state in {"enabled", "enabled-runtime", "static", "linked", "generated"}:
        return good(Topic.SERVICE, f"{what} at boot", state)
    return wrong(
        Topic.SERVICE,
        f"{what} at boot",
        state or "not said",
        "after a power cut nobody starts the daemon",
        f"systemctl enable {seen.unit}",
    )


def _active(seen: ServiceSeen, what: str) -> Finding:
    active, sub = seen.shown.get("ActiveState", ""), seen.shown.get("SubState", "")
    restarts = int(seen.shown.get("NRestarts") or 0)
    said = f"{active} ({sub}), started again {restarts} times"
    if (active, sub) != ("active", "running"):
        return wrong(
            Topic.SERVICE,
            what,
            f"{said}, result {seen.shown.get('Result') or 'unknown'}",
            "nothing decides: permits are down, and nobody is warned",
            f"journalctl -u {seen.unit} -n 50 says why; systemctl start {seen.unit}",
        )
    if restarts:
        return doubtful(
            Topic.SERVICE,
            what,
            said,
            "it ended by itself or was killed; permits fell each time",
            f"journalctl -u {seen.unit}, and tocsin journal SITE, around those times",
        )
    return good(Topic.SERVICE, what, said)


def _policy(seen: ServiceSeen) -> Iterator[Finding]:
    restart = seen.shown.get("Restart", "")
    if restart != "always":
        yield wrong(
            Topic.SERVICE,
            "starting it again",
            f"Restart={restart or 'no'}",
            "after an end of any kind the daemon may stay down",
            "Restart=always",
        )
    limit_s = span_s(seen.shown.get("StartLimitIntervalUSec", ""))
    if limit_s:
        yield wrong(
            Topic.SERVICE,
            "the limit of starts",
            f"StartLimitIntervalSec={limit_s:g}",
            "after some quick ends the service manager gives up for good",
            "StartLimitIntervalSec=0",
        )
    elif limit_s is not None and restart == "always":
        said = "always, without a limit"
        yield good(Topic.SERVICE, "starting it again", said)


def _exposure(seen: ServiceSeen, what: str) -> Iterator[Finding]:
    if seen.exposure is None:
        yield untold(
            Topic.SERVICE,
            f"the sandbox of {what}",
            "systemd-analyze says nothing",
            "what the daemon could reach if it were taken over is not known",
            f"systemd-analyze security {seen.unit}",
        )
    elif seen.exposure > EXPOSURE:
        yield doubtful(
            Topic.SERVICE,
            f"the sandbox of {what}",
            f"exposure {seen.exposure:g} of 10",
            "the unit is more open than it needs to be",
            "install the unit that comes with this version",
        )
    else:
        said = f"exposure {seen.exposure:g} of 10"
        yield good(Topic.SERVICE, f"the sandbox of {what}", said)


def judge_watchdogs(
    service: ServiceSeen, machine: WatchdogSeen, daemon: DaemonSeen
) -> Iterator[Finding]:
    """Judge who notices that the daemon hangs, and who that the machine does."""
    yield _daemons(service, daemon)
    yield from _machines(service, machine)


def _daemons(service: ServiceSeen, daemon: DaemonSeen) -> Finding:
    what = "the daemon's watchdog"
    asked_s = span_s(service.shown.get("WatchdogUSec", ""))
    is_watched = bool(daemon.watchdog_ms)
    if daemon.pid is not None and asked_s and not is_watched:
        return wrong(
            Topic.WATCHDOG,
            what,
            "the unit has one, and the running daemon is not watched",
            "a daemon that hangs stays: was it started by hand?",
            "run it as the service",
        )
    if is_watched:
        asked_s = daemon.watchdog_ms / 1_000
    elif service.trouble or asked_s is None:
        return untold(
            Topic.WATCHDOG,
            what,
            service.trouble or "the unit does not say",
            "whether a daemon that hangs is killed is not known",
            f"systemctl show -p WatchdogUSec {service.unit}",
        )
    if not asked_s or asked_s > LONGEST_WATCHDOG_S:
        return wrong(
            Topic.WATCHDOG,
            what,
            f"{asked_s:g} s" if asked_s else "none",
            "a daemon that hangs holds its outputs where they were for too long",
            "WatchdogSec=30, as the unit that comes with this version",
        )
    said = f"it is killed {asked_s:g} s after its last sign of a completed step"
    return good(Topic.WATCHDOG, what, said)


def _machines(service: ServiceSeen, machine: WatchdogSeen) -> Iterator[Finding]:
    what = "the machine's watchdog"
    fed_s = span_s(service.manager.get("RuntimeWatchdogUSec", ""))
    if not machine.is_there:
        yield wrong(
            Topic.WATCHDOG,
            what,
            "there is no /dev/watchdog",
            "a machine whose kernel hangs stays so until somebody comes",
            "load its driver (on a Raspberry Pi it is there by itself); an external "
            "heartbeat relay cuts the permits meanwhile",
        )
    elif service.trouble or fed_s is None:
        yield untold(
            Topic.WATCHDOG,
            what,
            f"{machine.identity or 'there'}; who feeds it is not said",
            "whether a machine that hangs is reset is not known",
            "systemctl show -p RuntimeWatchdogUSec",
        )
    elif not fed_s:
        yield wrong(
            Topic.WATCHDOG,
            what,
            f"{machine.identity or 'there'}, and nobody feeds it",
            "a machine whose kernel hangs stays so until somebody comes",
            f"RuntimeWatchdogSec={LONGEST_HARDWARE_S:g} in a file of "
            "/etc/systemd/system.conf.d",
        )
    elif fed_s > LONGEST_HARDWARE_S:
        yield doubtful(
            Topic.WATCHDOG,
            what,
            f"fed every {fed_s:g} s at most",
            f"boards count to {LONGEST_HARDWARE_S:g} s; some refuse more, and watch "
            "nothing",
            f"RuntimeWatchdogSec={LONGEST_HARDWARE_S:g}",
        )
    else:
        said = f"{machine.identity or 'there'}, resets the machine after {fed_s:g} s"
        yield good(Topic.WATCHDOG, what, said)
    if machine.was_reset:
        yield doubtful(
            Topic.WATCHDOG,
            "the last start of the machine",
            "the watchdog made it",
            "the kernel hung, or the supply is weak",
            "journalctl -b -1 -e; look at the supply and the card",
        )
