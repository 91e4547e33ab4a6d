"""The ``tls`` table of a connection to a broker, and who else may overhear or read."""

from __future__ import annotations

from contextlib import suppress
from ipaddress import ip_address
from typing import TYPE_CHECKING

from tocsin.ports import Tls
from tocsin_config.fields import Table, optional

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

    from tocsin_config.findings import Findings
    from tocsin_config.problems import Key

PLAIN_PORT = 1_883
TLS_PORT = 8_883
"""As registered with IANA for MQTT without and with TLS."""

OTHERS = 0o007


class TlsTable(Table):
    """``[mqtt.tls]``, ``[fleet.tls]``: the broker's name must be in its certificate."""

    ca: str | None = optional(
        'the file of the authority that signed the broker, such as "ca.crt"',
        min_length=1,
    )
    certificate: str | None = optional(
        'our own certificate file in PEM, such as "client.crt"', min_length=1
    )
    key: str | None = optional(
        'the certificate\'s key file in PEM, such as "client.key"', min_length=1
    )


def build_tls(
    own: TlsTable | None, at: Key, folder: Path, findings: Findings
) -> Tls | None:
    """Return what the table at *at* asks for; its files lie in *folder*."""
    if own is None:
        return None
    if own.key is not None and own.certificate is None:
        wrong = "a key without a certificate"
        findings.tell((*at, "key"), wrong, "certificate as well", needs=[at])
    return Tls(
        ca=folder / own.ca if own.ca else None,
        certificate=folder / own.certificate if own.certificate else None,
        key=folder / own.key if own.key else None,
    )


def port_of(port: int | None, tls: object) -> int:
    """Return *port*, or the usual one with *tls* (whatever asks for it) or None."""
    return port or (PLAIN_PORT if tls is None else TLS_PORT)


def is_near(host: str) -> bool:
    """Return True for this machine itself, where nobody else listens."""
    with suppress(ValueError):
        return ip_address(host).is_loopback
    return host.lower() == "localhost"


def overheard(
    host: str, tls: Tls | None, at: Key, *, is_commanded: bool = False
) -> Iterator[tuple[Key, str, str]]:
    """Doubt a way to a broker, in the table at *at*, on which others can listen."""
    if tls is not None or is_near(host):
        return
    wrong = (
        f"everything goes to {host} without encryption: whoever is on the way reads "
        "every value and the password, and can pose as the broker"
    )
    if is_commanded:
        wrong += " and give commands"
    yield (*at, "host"), wrong, f"a [{'.'.join(map(str, at))}.tls] table with ca"


def readable(path: Path | None, at: Key) -> Iterator[tuple[Key, str, str]]:
    """Doubt a secret in *path*, named at *at*, that others on this machine can read."""
    with suppress(OSError):  # whether it is there at all is told elsewhere
        if path is not None and path.stat().st_mode & OTHERS:
            wrong = f"everybody on this machine can read or change {path}"
            yield at, wrong, f"chmod 640 {path}, or 600"
