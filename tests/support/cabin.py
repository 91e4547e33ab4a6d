"""The brokers of deploy, run as they are shipped, with certificates of its script."""

from __future__ import annotations

import re
import subprocess
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from types import MappingProxyType
from typing import TYPE_CHECKING

import broker
from tocsin.ports import Tls
from tocsin.tls import load

if TYPE_CHECKING:
    import ssl
    from collections.abc import Iterator, Mapping, Sequence

DEPLOY = Path(__file__).parents[2] / "deploy"
MQTT = DEPLOY / "mqtt"
SITE = DEPLOY / "sites" / "fern-ridge-broker.toml"
SCRIPT = MQTT / "make-certificates.sh"

DEVICE, HUB, VIEWER, STRANGER = "fern-ridge-hut", "hub", "viewer", "other-hut"

DEBIAN = "persistence_location {folder}/\nlog_dest stderr\n"
"""What Debian's own file sets beside ours."""


def make(folder: Path, kind: str, *names: str) -> subprocess.CompletedProcess[str]:
    """Run the script."""
    return subprocess.run(
        ["sh", str(SCRIPT), str(folder), kind, *names],
        capture_output=True,
        text=True,
        timeout=60,
        check=False,
    )


@dataclass
class Cabin:
    """A running broker.

    Attributes:
        acl: Its ACL file; a change holds from SIGHUP on.
    """

    pki: Path
    acl: Path
    running: broker.Broker

    @property
    def port(self) -> int:
        return self.running.port

    def files(self, user: str) -> Tls:
        return Tls(
            ca=self.pki / "ca.crt",
            certificate=self.pki / f"{user}.crt",
            key=self.pki / f"{user}.key",
        )

    def tls(self, user: str) -> ssl.SSLContext:
        return load(self.files(user)).context


@contextmanager
def cabin(
    folder: Path,
    acl: str = "",
    instead: Mapping[str, str] = MappingProxyType({}),
    *,
    of: Path = MQTT,
    users: Sequence[str] = (DEVICE, HUB, VIEWER, STRANGER),
) -> Iterator[Cabin]:
    """Run the broker in the folder *of* with the shipped ACL, or with another one.

    *instead*: lines of the shipped file, and what takes their place.
    """
    text = (of / "broker.conf").read_text()
    (name,) = re.findall("^acl_file /etc/mosquitto/(.+)$", text, re.MULTILINE)
    pki, rules = folder / "pki", folder / name
    done = make(pki, "broker", "localhost", "127.0.0.1")
    assert done.returncode == 0, done.stderr
    done = make(pki, "user", *users)
    assert done.returncode == 0, done.stderr
    rules.write_text(acl or (of / "acl").read_text())
    rules.chmod(0o600)
    whole = DEBIAN.format(folder=folder) + text.replace("/etc/mosquitto/", f"{folder}/")
    for line, other in instead.items():
        assert line in whole
        whole = whole.replace(line, other)
    with broker.running(folder, whole=whole) as running:
        yield Cabin(pki, rules, running)
