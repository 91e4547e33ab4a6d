"""Certificates and keys from files, ready for a connection; what is wrong, in words."""

from __future__ import annotations

import hashlib
import logging
import re
import ssl
from contextlib import suppress
from dataclasses import dataclass
from typing import TYPE_CHECKING

from tocsin import clock
from tocsin.certificates import CertificateError, Held, dates_of

if TYPE_CHECKING:
    from pathlib import Path

    from tocsin.ports import Tls

_PEM = re.compile(
    "-----BEGIN CERTIFICATE-----.+?-----END CERTIFICATE-----", re.DOTALL | re.ASCII
)
ASKING_S = 5.0
LONGEST_FILE = 1_000_000

NOT_YET, ENDED = 9, 10
STRANGERS = frozenset({18, 19, 20, 21})
OTHER_NAME = frozenset({62, 64})
"""Verification errors of OpenSSL: X509_STORE_CTX_get_error(3), x509_vfy.h."""

ALERTS = {
    "CERTIFICATE_EXPIRED": "the broker says that our certificate has ended: renew it",
    "CERTIFICATE_REVOKED": "the broker says that our certificate was revoked",
    "BAD_CERTIFICATE": "the broker finds our certificate bad: it may not be valid yet, "
    "by its clock or ours",
    "UNKNOWN_CA": "the broker does not know the authority that signed our certificate",
    "CERTIFICATE_REQUIRED": "the broker wants a certificate of ours: certificate and "
    "key in the tls table",
    "HANDSHAKE_FAILURE": "the broker refuses to begin: it may want a certificate of "
    "ours, certificate and key in the tls table",
    "PROTOCOL_VERSION": "the broker speaks no TLS 1.2 or later",
    "UNSUPPORTED_PROTOCOL": "the broker speaks no TLS 1.2 or later",
    "WRONG_VERSION_NUMBER": "what answers there speaks no TLS; is it the plain port?",
}
"""What the other end may answer: RFC 8446, 6.2; words as OpenSSL has them."""


class TlsError(Exception):
    """A file of ours cannot be used; the text says which one and why."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Loaded:
    """Our files, ready for use.

    Attributes:
        held: Certificates that must not end: ours, and the last authority to end.
        mark: Differs if any byte of any file does.
    """

    context: ssl.SSLContext
    held: tuple[Held, ...]
    mark: bytes


class _Socket(ssl.SSLSocket):
    """Does not stay open where TLS fails; the library forgets it then."""

    def do_handshake(self, block: bool = False) -> None:  # noqa: FBT001, FBT002 as there
        """Shake hands.

        Raises:
            ssl.SSLError: it failed, and the socket is closed.
        """
        try:
            super().do_handshake(block)
        except ssl.SSLError:
            self.close()
            raise
        except OSError as exc:
            self.close()
            said = f"what answers there does not begin TLS ({exc.strerror or exc}); "
            raise ssl.SSLError(f"{said}is it the plain port?") from exc


def load(tls: Tls) -> Loaded:
    """Return what a client connects with: TLS 1.2 at least, the server's name checked.

    RFC 9325 (BCP 195), sections 3.1.1 and 6: no less than TLS 1.2, and the name that
    was asked for must stand in the certificate.

    Raises:
        TlsError: a file cannot be read, or the key does not fit.
    """
    mark, held = mark_of(tls), held_by(tls)
    context = ssl.SSLContext(ssl.PROTOCOL_TLS_CLIENT)
    context.minimum_version = ssl.TLSVersion.TLSv1_2
    context.sslsocket_class = _Socket
    try:
        if tls.ca is None:
            context.load_default_certs()
        else:
            context.load_verify_locations(tls.ca)
    except OSError as exc:
        raise TlsError(f"no certificate of an authority in {tls.ca}") from exc
    if tls.certificate is not None:
        _pair(context, tls.certificate, tls.key or tls.certificate)
    return Loaded(context=context, held=held, mark=mark)


def secret_in(path: Path | None) -> str | None:
    """Return the password in *path*, blanks around it left out; None without a file.

    Raises:
        TlsError: it cannot be read, or holds no text.
    """
    if path is None:
        return None
    try:
        return _read("password file", path).decode("utf-8").strip()
    except UnicodeDecodeError as exc:
        raise TlsError(f"password file {path}: no text in UTF-8") from exc


def mark_of(tls: Tls) -> bytes:
    """Return what differs if any byte of any file does.

    Raises:
        TlsError: a file cannot be read.
    """
    files = {
        "the authority's certificate": tls.ca,
        "our certificate": tls.certificate,
        "our key": tls.key,
    }
    seen = hashlib.sha256()
    for what, path in files.items():
        if path is not None:
            seen.update(_read(what, path) + b"\0")
    return seen.digest()


def held_by(tls: Tls) -> tuple[Held, ...]:
    """Return the certificates that must not end.

    Raises:
        TlsError: a file cannot be read, or holds no certificate.
    """
    held: list[Held] = []
    if tls.certificate is not None:
        first, *more = _certificates("our certificate", tls.certificate)
        held += [min([first, *more], key=lambda each: each.dates.ends_s)]
    if tls.ca is not None:
        every = _certificates("the authority's certificate", tls.ca)
        held += [max(every, key=lambda each: each.dates.ends_s)]
    return tuple(held)


def broker_held(der: bytes | None) -> Held | None:
    """Return the broker's certificate, in DER; None if there is none to be read."""
    try:
        dates = dates_of(der or b"")
    except CertificateError:
        return None
    return Held(what="the broker's certificate", dates=dates)


def asked(host: str, port: int) -> Held | None:
    """Return the certificate that answers there, whether it can be trusted or not.

    Connects, and waits a few seconds at most; None if nothing is to be had.
    """
    try:
        pem = ssl.get_server_certificate((host, port), timeout=ASKING_S)
        return broker_held(ssl.PEM_cert_to_DER_cert(pem))
    except (OSError, ValueError):
        return None


def why_not(exc: ssl.SSLError, tls: Tls, host: str, port: int) -> str:
    """Return why TLS to a broker failed, in words; may ask it for its certificate."""
    if not isinstance(exc, ssl.SSLCertVerificationError):
        return alert(str(exc)) or str(exc)
    code = exc.verify_code
    if code in {NOT_YET, ENDED} and (said := _of_dates(tls, host, port)):
        return said
    if code in OTHER_NAME:
        return (
            f"the broker's certificate does not bear the name {host}: give as host a "
            "name that it bears, or make one for this name"
        )
    if code in STRANGERS:
        known = "this system knows" if tls.ca is None else f"is in {tls.ca}"
        return f"the broker's certificate was signed by no authority that {known}"
    return str(exc.verify_message)


def alert(text: str) -> str:
    """Return what the other end said, found in a library's words; else ""."""
    return next((said for word, said in ALERTS.items() if word in text), "")


def _of_dates(tls: Tls, host: str, port: int) -> str:
    now_s, is_set = clock.wall_ms() / 1_000, clock.is_set()
    suspects = [asked(host, port)]
    with suppress(TlsError):
        suspects += held_by(tls)[-1:]
    for each in suspects:
        if each is not None and not each.is_valid(now_s):
            return each.standing(now_s, is_clock_set=is_set)
    return ""


class Alerts(logging.Handler):
    """Keeps the last words of a library that says only there why it was cut off."""

    said = ""

    def emit(self, record: logging.LogRecord) -> None:
        """Keep it."""
        self.said = record.getMessage()

    def logger(self) -> logging.Logger:
        """Return a logger that nobody else hears."""
        own = logging.Logger("tocsin.tls", logging.ERROR)  # noqa: LOG001 not of the tree
        own.addHandler(self)
        return own


def _pair(context: ssl.SSLContext, certificate: Path, key: Path) -> None:
    try:
        # A password is never asked for: nobody sits at a daemon's terminal.
        context.load_cert_chain(certificate, key, password="")
    except ssl.SSLError as exc:
        if exc.reason == "KEY_VALUES_MISMATCH":
            said = f"the key {key} does not fit the certificate {certificate}"
            raise TlsError(f"{said}: they must be made together") from exc
        said = f"{certificate} and {key} are no certificate with its key in PEM"
        said += ", or the key has a password, which nobody could type here"
        raise TlsError(said) from exc


def _certificates(what: str, path: Path) -> list[Held]:
    text = _read(what, path).decode("ascii", "replace")
    try:
        found = [
            Held(what=f"{what} {path}", dates=dates_of(ssl.PEM_cert_to_DER_cert(pem)))
            for pem in _PEM.findall(text)
        ]
    except ValueError as exc:
        raise TlsError(f"{what} {path} is damaged: {exc}") from exc
    if not found:
        raise TlsError(f"{what} {path} holds no certificate in PEM")
    return found


def _read(what: str, path: Path) -> bytes:
    try:
        with path.open("rb") as file:
            return file.read(LONGEST_FILE)
    except OSError as exc:
        raise TlsError(f"{what} {path}: {exc.strerror}") from exc
