"""Certificates made with the openssl program, of any age, for tests."""

from __future__ import annotations

import shutil
import subprocess
from dataclasses import dataclass
from datetime import UTC, datetime
from typing import TYPE_CHECKING

import pytest

from tocsin.clock import wall_ms

if TYPE_CHECKING:
    from pathlib import Path

CONFIG = """\
[ca]
default_ca = own
[own]
dir = {folder}
database = {folder}/index.txt
new_certs_dir = {folder}
certificate = {folder}/ca.crt
private_key = {folder}/ca.key
rand_serial = yes
unique_subject = no
default_md = sha256
policy = any
[any]
commonName = supplied
[authority]
basicConstraints = critical,CA:true
keyUsage = critical,keyCertSign,cRLSign
subjectKeyIdentifier = hash
[end]
basicConstraints = critical,CA:false
keyUsage = critical,digitalSignature
extendedKeyUsage = serverAuth,clientAuth
subjectKeyIdentifier = hash
authorityKeyIdentifier = keyid
subjectAltName = {names}
"""


@dataclass(frozen=True, slots=True)
class Pair:
    """A certificate and its key."""

    certificate: Path
    key: Path


@dataclass
class Authority:
    """A private authority in a folder of its own; it signs what it is asked to."""

    folder: Path
    name: str = "Fern Ridge hut authority"

    def __post_init__(self) -> None:
        self.folder.mkdir(parents=True, exist_ok=True)
        (self.folder / "index.txt").touch()
        self._key(self.folder / "ca.key")
        self._sign(self.ca, self.folder / "ca.key", self.name, (-1, 3_650))

    @property
    def ca(self) -> Path:
        return self.folder / "ca.crt"

    def issue(
        self,
        name: str,
        *,
        days: tuple[float, float] = (-1, 730),
        names: str = "IP:127.0.0.1,DNS:localhost",
        to: Path | None = None,
    ) -> Pair:
        """Sign a new pair that holds from *days* to *days* from now on.

        *to*: the files' path without a suffix; those that lie there are replaced.
        """
        path = to or self.folder / name.replace(" ", "-")
        made = Pair(path.with_suffix(".crt"), path.with_suffix(".key"))
        fresh = Pair(path.with_suffix(".crt.new"), path.with_suffix(".key.new"))
        self._key(fresh.key)
        self._sign(fresh.certificate, fresh.key, name, days, names)
        fresh.key.rename(made.key)
        fresh.certificate.rename(made.certificate)
        return made

    def _key(self, path: Path) -> None:
        openssl("ecparam", "-genkey", "-name", "prime256v1", "-noout", "-out", path)

    def _sign(
        self,
        to: Path,
        key: Path,
        name: str,
        days: tuple[float, float],
        names: str = "",
    ) -> None:
        request, config = to.with_suffix(".csr"), to.with_suffix(".cnf")
        text = CONFIG.format(folder=self.folder, names=names or "DNS:none")
        config.write_text(text)
        openssl("req", "-new", "-key", key, "-subj", f"/CN={name}", "-out", request)
        begins, ends = map(_stamp, days)
        own = ("-selfsign", "-extensions", "authority", "-keyfile", key)
        kind = own if to == self.ca else ("-extensions", "end")
        openssl(
            *("ca", "-batch", "-notext", "-config", config, "-in", request, *kind),
            *("-out", to, "-startdate", begins, "-enddate", ends),
        )


def over_tls(authority: Authority, pair: Pair) -> str:
    """Return a broker's settings: a certificate of ours is asked for."""
    return (
        f"allow_anonymous false\ncafile {authority.ca}\ncertfile {pair.certificate}\n"
        f"keyfile {pair.key}\nrequire_certificate true\n"
        "use_identity_as_username true\n"
    )


def openssl(*words: object) -> str:
    """Run openssl and return what it says."""
    program = shutil.which("openssl")
    if program is None:
        pytest.fail("openssl is missing: sudo apt install openssl")
    done = subprocess.run(
        [program, *map(str, words)],
        capture_output=True,
        text=True,
        timeout=30,
        check=False,
    )
    assert done.returncode == 0, done.stderr
    return done.stdout


def _stamp(days: float) -> str:
    moment = datetime.fromtimestamp(wall_ms() / 1_000 + days * 86_400, tz=UTC)
    return moment.strftime("%Y%m%d%H%M%SZ")
