"""The broker of deploy/mqtt, run as it is shipped, with certificates of its script."""

from __future__ import annotations

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
    from collections.abc import Iterator, Mapping

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
    folder: Path, acl: str = "", instead: Mapping[str, str] = MappingProxyType({})
) -> Iterator[Cabin]:
    """Run the broker with the shipped ACL, or with another one.

    *instead*: lines of the shipped file, and what takes their place.
    """
    pki, rules = folder / "pki", folder / "acl"
    done = make(pki, "broker", "localhost", "127.0.0.1")
    assert done.returncode == 0, done.stderr
    done = make(pki, "user", DEVICE, HUB, VIEWER, STRANGER)
    assert done.returncode == 0, done.stderr
    rules.write_text(acl or (MQTT / "acl").read_text())
    rules.chmod(0o600)
    text = DEBIAN.format(folder=folder) + (MQTT / "broker.conf").read_text()
    whole = text.replace("/etc/mosquitto/", f"{folder}/")
    for line, other in instead.items():
        assert line in whole
        whole = whole.replace(line, other)
    with broker.running(folder, whole=whole) as running:
        yield Cabin(pki, rules, running)
