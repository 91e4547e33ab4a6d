"""Judges journal, broker, secrets, certificates and software. Pure."""

from __future__ import annotations

from typing import TYPE_CHECKING

from tocsin.doctor.finding import Topic, doubtful, good, untold, wrong
from tocsin.doctor.seen import READ, Kind, may

if TYPE_CHECKING:
    from collections.abc import Iterator

    from tocsin.doctor.finding import Finding
    from tocsin.doctor.seen import (
        BrokerSeen,
        CertificateSeen,
        JournalSeen,
        SecretSeen,
        SoftwareSeen,
    )

LEAST_PYTHON = (3, 11)
OTHERS_READ, OTHERS_WRITE = 0o004, 0o002


def judge_journal(seen: JournalSeen) -> Iterator[Finding]:
    """Judge what SQLite's own quick check says, and what was set aside."""
    if not seen.is_there:
        yield untold(
            Topic.JOURNAL,
            seen.path,
            "there is no journal yet",
            "whether one can be kept shows with the first run",
            "start the daemon, then run doctor again",
        )
    elif not seen.is_checked:
        yield untold(
            Topic.JOURNAL,
            seen.path,
            seen.trouble or "it was not checked",
            "whether it is whole is not known",
            "run doctor as root, or as a user in the daemon's group",
        )
    elif seen.trouble:
        yield wrong(
            Topic.JOURNAL,
            seen.path,
            seen.trouble,
            "rows may be lost; the daemon sets the file aside at its next start",
            "copy it away; look at the disk and its supply",
        )
    else:
        said = f"sound by its own quick check, {seen.rows} rows"
        yield good(Topic.JOURNAL, seen.path, said)
    if seen.damaged:
        yield doubtful(
            Topic.JOURNAL,
            "journals set aside",
            f"{seen.damaged} lie beside it, damaged",
            "the disk or its supply has failed before",
            "copy them away, look at the disk, then remove them",
        )


def judge_broker(seen: BrokerSeen) -> Iterator[Finding]:
    """Judge a connection with the site's own account, made and ended."""
    what = f"the broker of [{seen.table}] on {seen.place}"
    nobody = "the fleet hears nothing of this site"
    if seen.table == "mqtt":
        nobody = "nobody hears alarms over MQTT"
    if seen.trouble:
        yield wrong(
            Topic.BROKER,
            what,
            seen.trouble,
            f"{nobody}; outputs work on",
            "start the broker, or correct host, port, username and password_file",
        )
    else:
        yield good(Topic.BROKER, what, "it accepts this site's account")


def judge_certificate(seen: CertificateSeen) -> Iterator[Finding]:
    """Judge whether a certificate holds, and goes on to."""
    what = f"a certificate of [{seen.use}]"
    if seen.held is None:
        yield untold(
            Topic.SECRETS,
            what,
            seen.trouble,
            "it may have ended, or not be usable at all",
            "run doctor as root; look at the file",
        )
        return
    at_s = seen.wall_ms / 1_000
    said = seen.held.standing(at_s, is_clock_set=False)
    if not said:
        yield good(Topic.SECRETS, what, seen.held.until())
        return
    judge = doubtful if seen.held.is_valid(at_s) else wrong
    refused = "outside its time, whoever checks it refuses to talk"
    yield judge(Topic.SECRETS, what, said, refused, "a new one in its place")


def judge_secret(seen: SecretSeen) -> Iterator[Finding]:
    """Judge who may read a secret, or change what is relied on."""
    node, what = seen.node, f"{seen.use} {seen.node.path}"
    if node.kind is Kind.MISSING and seen.is_made_by_us:
        return
    if node.kind is Kind.UNSEEN:
        yield untold(
            Topic.SECRETS,
            what,
            node.trouble,
            "whether the daemon can use it is not known",
            "run doctor as root",
        )
        return
    if node.kind is not Kind.FILE:
        yield wrong(
            Topic.SECRETS,
            what,
            "it is missing" if node.kind is Kind.MISSING else f"it is a {node.kind}",
            "the daemon cannot use it",
            "make it, or correct its name",
        )
        return
    if not may(seen.who, node, READ):
        yield wrong(
            Topic.SECRETS,
            what,
            f"{seen.who.name} ({seen.who.because}) may not read it, mode {node.mode:o}",
            "the daemon cannot use it",
            f"chgrp {seen.who.name} {node.path}; chmod 640 {node.path}",
        )
    elif seen.is_secret and node.mode & OTHERS_READ:
        yield wrong(
            Topic.SECRETS,
            what,
            f"everybody may read it, mode {node.mode:o}",
            "it is no secret",
            f"chmod 640 {node.path}, and change the secret",
        )
    elif node.mode & OTHERS_WRITE:
        yield wrong(
            Topic.SECRETS,
            what,
            f"everybody may change it, mode {node.mode:o}",
            "any program here can decide what the outputs do",
            f"chmod 640 {node.path}",
        )
    else:
        yield good(Topic.SECRETS, what, f"mode {node.mode:o}, group {node.group}")


def judge_software(seen: SoftwareSeen) -> Iterator[Finding]:
    """Judge Python, the libraries and the drivers that the site asks for."""
    version = ".".join(map(str, seen.python))
    if seen.python[:2] < LEAST_PYTHON:
        yield wrong(
            Topic.SOFTWARE,
            "Python",
            version,
            "nothing here was tested with it",
            "Python 3.11 or newer: Debian 12, Raspberry Pi OS 12",
        )
    else:
        yield good(Topic.SOFTWARE, "Python", version)
    sound = []
    for each in seen.packages:
        what = f"the library {each.name}"
        if not each.version:
            lacks = ("not installed", "what needs it cannot work")
            yield wrong(Topic.SOFTWARE, what, *lacks, "install Tocsin again, whole")
        elif each.is_empty:
            yield wrong(
                Topic.SOFTWARE,
                what,
                f"{each.version} is installed and holds no module",
                "what needs it cannot work",
                f"remove it, and install a release that is not empty, by its version; "
                f"for lgpio: apt install python3-{each.name}",
            )
        elif each.least and _numbers(each.version) < _numbers(each.least):
            yield wrong(
                Topic.SOFTWARE,
                what,
                f"{each.version}; {each.least} is the least that was tested",
                "it may behave in another way",
                "install Tocsin again, whole",
            )
        else:
            sound.append(f"{each.name} {each.version}")
    if sound:
        yield good(Topic.SOFTWARE, "the libraries", ", ".join(sound))
    yield from _drivers(seen)


def _drivers(seen: SoftwareSeen) -> Iterator[Finding]:
    what = f"drivers of tocsin {seen.own}"
    missing = [name for name in seen.wanted_drivers if name not in seen.drivers]
    if missing:
        yield wrong(
            Topic.SOFTWARE,
            what,
            f"not installed: {', '.join(missing)}",
            "the daemon cannot start",
            "correct driver in the site file, or install what offers it",
        )
    else:
        wanted = ", ".join(seen.wanted_drivers)
        yield good(Topic.SOFTWARE, what, f"all that the site asks for: {wanted}")


def _numbers(version: str) -> tuple[int, ...]:
    """Return the leading numbers of a version; what follows them does not matter."""
    numbers: list[int] = []
    for part in version.split("."):
        digits = part[: len(part) - len(part.lstrip("0123456789"))]
        if not digits:
            break
        numbers.append(int(digits))
    return tuple(numbers)
