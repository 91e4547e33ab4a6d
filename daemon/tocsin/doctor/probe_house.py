"""Looks at journal, broker, secrets, certificates and software. Writes nothing."""

from __future__ import annotations

import asyncio
import re
import sys
from contextlib import suppress
from dataclasses import replace
from importlib.metadata import (
    Distribution,
    PackageNotFoundError,
    distribution,
    entry_points,
)
from importlib.metadata import requires as required
from typing import TYPE_CHECKING

from tocsin import __version__
from tocsin.doctor.machine import node
from tocsin.doctor.seen import (
    BrokerSeen,
    CertificateSeen,
    JournalSeen,
    Kind,
    PackageSeen,
    SecretSeen,
    SoftwareSeen,
)
from tocsin.journal import JournalError, quick_check
from tocsin.mqtt import knock
from tocsin.page.token import FILE_NAME
from tocsin.ports import Tls
from tocsin.tls import TlsError, asked, held_by

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

    from tocsin.doctor.machine import Machine
    from tocsin.doctor.seen import Who
    from tocsin_config import Setup

KNOCK_S = 5.0
CODE = (".py", ".so", ".pyc")


def journal(folder: Path) -> JournalSeen:
    """Have the journal check itself."""
    damaged = 0
    with suppress(OSError):
        damaged = len([*folder.glob("journal-damaged-*.db")])
    path = folder / "journal.db"
    is_there = node(path).kind is not Kind.MISSING
    seen = JournalSeen(path=str(path), is_there=is_there, damaged=damaged)
    if not is_there:
        return seen
    try:
        rows, trouble = quick_check(folder)
    except JournalError as exc:
        return replace(seen, trouble=str(exc))
    return replace(seen, is_checked=True, trouble=trouble, rows=rows)


def brokers(setup: Setup) -> Iterator[BrokerSeen]:
    """Connect to each as the site does, and leave."""
    for table, spec in setup.brokers.items():
        trouble = asyncio.run(knock(spec, within_s=KNOCK_S))
        place = f"{spec.host}:{spec.port}"
        yield BrokerSeen(table=table, place=place, trouble=trouble)


def certificates(machine: Machine, setup: Setup) -> Iterator[CertificateSeen]:
    """Look when each certificate ends that the site, or its broker, shows others."""
    page = setup.page
    if page is not None and page.certificate is not None:
        yield from _held(machine, "page", Tls(certificate=page.certificate))
    for table, spec in setup.brokers.items():
        if spec.tls is None:
            continue
        yield from _held(machine, f"{table}.tls", spec.tls)
        shown = asked(spec.host, spec.port)
        if shown is not None:  # else the look at the broker says why
            yield CertificateSeen(use=table, held=shown, wall_ms=machine.wall_ms())


def _held(machine: Machine, use: str, tls: Tls) -> Iterator[CertificateSeen]:
    seen = CertificateSeen(use=use, held=None, wall_ms=machine.wall_ms())
    try:
        for held in held_by(tls):
            yield replace(seen, held=held)
    except TlsError as exc:
        yield replace(seen, trouble=str(exc))


def secrets(setup: Setup, who: Who) -> Iterator[SecretSeen]:
    """Look at the files that hold secrets, and at the site file."""
    yield SecretSeen(
        node=node(setup.path), use="the site file", who=who, is_secret=False
    )
    for table, spec in setup.brokers.items():
        if spec.password_file is not None:
            of = node(spec.password_file)
            yield SecretSeen(node=of, use=f"the password of [{table}]", who=who)
        if spec.tls is not None and (key := spec.tls.key or spec.tls.certificate):
            yield SecretSeen(node=node(key), use=f"the key of [{table}.tls]", who=who)
    if setup.page is not None:
        own = setup.journal_folder / FILE_NAME
        yield SecretSeen(
            node=node(setup.page.token_file or own),
            use="the page's token",
            who=who,
            is_made_by_us=setup.page.token_file is None,
        )
        if setup.page.key is not None:
            yield SecretSeen(node=node(setup.page.key), use="the page's key", who=who)


def software(setup: Setup) -> SoftwareSeen:
    """Look at Python, the libraries that we ask for, and the drivers."""
    packages = [_package(*each) for each in _needed(required("tocsin") or [])]
    if setup.pins_driver == "lgpio":
        packages += [
            seen for seen in [_package("lgpio", "")] if seen.version
        ]  # without: the look at pins says so; it may be the system's
    groups = ("tocsin.sources", "tocsin.outputs")
    offered = {name for group in groups for name in entry_points(group=group).names}
    every = (*setup.sources, *setup.extras)
    wanted = {spec.driver for spec in every if not spec.is_only_recorded}
    return SoftwareSeen(
        python=sys.version_info[:3],
        own=__version__,
        packages=tuple(packages),
        drivers=tuple(sorted(offered)),
        wanted_drivers=tuple(sorted({*wanted, setup.pins_driver})),
    )


def _needed(requirements: list[str]) -> Iterator[tuple[str, str]]:
    """Return name and least version of what is always needed (PEP 508)."""
    for text in requirements:
        name = re.match(r"[\w.-]+", text)
        if name is not None and "extra" not in text.partition(";")[2]:
            least = re.search(r">=\s*([\d.]+)", text)
            yield name[0], least[1] if least else ""


def _package(name: str, least: str) -> PackageSeen:
    try:
        found = distribution(name)
    except PackageNotFoundError:
        return PackageSeen(name=name, version="", least=least)
    return PackageSeen(
        name=name, version=found.version, least=least, is_empty=_is_empty(found)
    )


def _is_empty(found: Distribution) -> bool:
    """Return whether it lists its files, and no code is among them."""
    files = found.files
    return files is not None and not any(file.suffix in CODE for file in files)
