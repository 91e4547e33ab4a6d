"""Looks at the service manager, the watchdogs and the running daemon."""

from __future__ import annotations

import grp
import os
import pwd
import re
from contextlib import suppress
from dataclasses import replace
from typing import TYPE_CHECKING

from tocsin import __version__, control
from tocsin.doctor.seen import DaemonSeen, ServiceSeen, WatchdogSeen, Who
from tocsin.shell import IDLE_MS

if TYPE_CHECKING:
    from tocsin.doctor.machine import Machine
    from tocsin_config import Setup

SHOWN = (
    *("LoadState", "UnitFileState", "ActiveState", "SubState", "NRestarts", "Result"),
    *("Restart", "StartLimitIntervalUSec", "WatchdogUSec", "Type", "User"),
    *("SupplementaryGroups", "ExecStart", "MainPID"),
)
MANAGER = ("RuntimeWatchdogUSec", "WatchdogDevice")

CARD_RESET = 0x20
"""``WDIOF_CARDRESET`` of Linux, ``include/uapi/linux/watchdog.h``."""


def service(machine: Machine, unit: str, site: str) -> ServiceSeen:
    """Ask the service manager of *unit* and of itself."""
    said = machine.run("systemctl", "show", "--no-pager", "-p", ",".join(SHOWN), unit)
    if said is None:
        trouble = "no service manager answers here"
        return ServiceSeen(unit=unit, site=site, trouble=trouble)
    own = machine.run("systemctl", "show", "--no-pager", "-p", ",".join(MANAGER)) or ""
    exposed = machine.run("systemd-analyze", "security", "--no-pager", unit) or ""
    overall = re.search(r"exposure level for \S+: ([\d.]+)", exposed)
    return ServiceSeen(
        unit=unit,
        site=site,
        shown=properties(said),
        manager=properties(own),
        exposure=float(overall[1]) if overall else None,
    )


def properties(text: str) -> dict[str, str]:
    """Return what ``systemctl show`` writes, one ``Name=value`` a line."""
    pairs = (line.partition("=") for line in text.splitlines())
    return {name: value for name, mark, value in pairs if mark}


def watchdog(machine: Machine) -> WatchdogSeen:
    """Look at the machine's own watchdog; opening the device would start it."""
    if not machine.at("/dev/watchdog").exists():
        return WatchdogSeen()
    of = "/sys/class/watchdog/watchdog0"
    status = machine.number(f"{of}/bootstatus", 0)
    return WatchdogSeen(
        is_there=True,
        identity=machine.text(f"{of}/identity") or "",
        was_reset=None if status is None else bool(status & CARD_RESET),
    )


def daemon(setup: Setup) -> DaemonSeen:
    """Ask the running daemon how it is."""
    path = control.socket_path(setup.journal_folder)
    nobody = DaemonSeen(
        socket=str(path),
        own_version=__version__,
        own_sha256=setup.sha256,
        pace_ms=max(IDLE_MS, setup.poll_ms),
    )
    try:
        said = control.ask(path, {"do": "health"})
        if not said.get("ok"):
            why = f"a daemon answers, and not to this: {said.get('why', 'no reason')}"
            return replace(nobody, trouble=why)
        return replace(
            nobody,
            pid=int(said["pid"]),
            step_ms=None if said["step_ms"] is None else int(said["step_ms"]),
            version=str(said["version"]),
            sha256=str(said["sha256"]),
            watchdog_ms=int(said["watchdog_ms"]),
        )
    except control.ForbiddenError:
        return replace(nobody, is_forbidden=True)
    except control.ControlError as exc:
        return replace(nobody, is_mute=isinstance(exc.__cause__, TimeoutError))
    except (KeyError, TypeError, ValueError) as exc:
        return replace(nobody, trouble=f"its answer makes no sense: {exc!r}")


def who(machine: Machine, unit: ServiceSeen, pid: int | None) -> Who:
    """Return as whom the daemon runs; or will, by its unit; or would from here."""
    if pid is not None and (status := machine.text(f"/proc/{pid}/status")):
        lines = dict(line.split(":", 1) for line in status.splitlines() if ":" in line)
        with suppress(KeyError, ValueError, IndexError):
            uid, gid = int(lines["Uid"].split()[1]), int(lines["Gid"].split()[1])
            others = (int(each) for each in lines["Groups"].split())
            return Who(
                name=_name(uid),
                uid=uid,
                gids=frozenset({gid, *others}),
                because="the running daemon",
            )
    name = unit.shown.get("User", "")
    if unit.shown.get("LoadState") == "loaded" and name:
        with suppress(KeyError):
            user = pwd.getpwnam(name)
            gids = set(os.getgrouplist(name, user.pw_gid))
            for group in unit.shown.get("SupplementaryGroups", "").split():
                with suppress(KeyError):
                    gids.add(grp.getgrnam(group).gr_gid)
            because = "the unit's user"
            return Who(
                name=name, uid=user.pw_uid, gids=frozenset(gids), because=because
            )
    gids = {os.getegid(), *os.getgroups()}
    return Who(
        name=_name(os.geteuid()),
        uid=os.geteuid(),
        gids=frozenset(gids),
        because="who runs doctor; no service to ask",
    )


def _name(uid: int) -> str:
    try:
        return pwd.getpwuid(uid).pw_name
    except KeyError:
        return str(uid)
