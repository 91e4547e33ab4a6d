"""The ``[mqtt]`` table to a broker: which keys go together, what it includes."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

from tocsin.fleet_port import FleetSpec
from tocsin.ports import BrokerSpec
from tocsin_config.announce import read_template
from tocsin_config.tls import build_tls, overheard, port_of, readable

if TYPE_CHECKING:
    from collections.abc import Iterator

    from tocsin.ports import Announcement
    from tocsin_config.findings import Findings
    from tocsin_config.fleet_models import FleetTable
    from tocsin_config.models import MqttTable, SiteFile
    from tocsin_config.problems import Key
    from tocsin_config.setup import Setup


def build_broker(file: SiteFile, findings: Findings) -> tuple[BrokerSpec | None, bytes]:
    """Return the broker, if there is one, and the bytes of the template it includes."""
    own = file.mqtt
    if own is None:
        return None, b""
    _between(own, findings)
    raw, announcement = _announcement(own, findings)
    spec = replace(
        _way(own, "mqtt", findings),
        protocol=own.protocol,
        domain=own.domain,
        base=own.base,
        is_commanded=own.commands,
        announcement=announcement,
    )
    return spec, raw


def build_fleet(file: SiteFile, findings: Findings) -> FleetSpec | None:
    """Return the fleet that is told of the site, if there is one."""
    own = file.fleet
    if own is None:
        return None
    broker = replace(_way(own, "fleet", findings), base="")
    return FleetSpec(broker=broker, name=own.name, gives_history=own.history)


def _way(own: MqttTable | FleetTable, table: str, findings: Findings) -> BrokerSpec:
    """Return the way to the broker that *table* names, and who we are there."""
    folder, secret = findings.document.file.parent, own.password_file
    if secret is not None and not own.username:
        at, wrong = (table, "password_file"), "a password without a username"
        findings.tell(at, wrong, "username as well", needs=[(table,)])
    return BrokerSpec(
        host=own.host,
        port=port_of(own.port, own.tls),
        username=own.username,
        password_file=None if secret is None else folder / secret,
        keepalive_s=own.keepalive_s,
        tls=build_tls(own.tls, (table, "tls"), folder, findings),
    )


def broker_doubts(setup: Setup) -> Iterator[tuple[Key, str, str]]:
    """Doubt a way to the broker that is open to others, and secrets that are."""
    for table, spec in setup.brokers.items():
        is_commanded = spec.is_commanded
        yield from overheard(spec.host, spec.tls, (table,), is_commanded=is_commanded)
        yield from readable(spec.password_file, (table, "password_file"))
        if spec.tls is not None:
            key = spec.tls.key or spec.tls.certificate
            at = "key" if spec.tls.key else "certificate"
            yield from readable(key, (table, "tls", at))


def _between(own: MqttTable, findings: Findings) -> None:
    if own.commands and own.protocol != "5":
        wrong = "MQTT 3.1.1 cannot tell a command that the broker kept from a new one"
        findings.tell(
            ("mqtt", "commands"), wrong, 'protocol = "5", or no commands',
            needs=[("mqtt",)],
        )  # fmt: skip


def _announcement(
    own: MqttTable, findings: Findings
) -> tuple[bytes, Announcement | None]:
    if own.announce is None:
        return b"", None
    document = findings.document
    raw, made, problems = read_template(document.file.parent / own.announce.template)
    if raw is None:
        said = f"{own.announce.template}: {problems[0].wrong}"
        findings.tell(("mqtt", "announce", "template"), said, problems[0].right)
    else:
        findings.problems += problems
    return raw or b"", made
