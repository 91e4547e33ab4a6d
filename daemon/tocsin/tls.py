"""Certificates and keys from files, ready for a connection; what is wrong, in words."""

from __future__ import annotations

import ssl
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from pathlib import Path

    from tocsin.ports import Tls


class TlsError(Exception):
    """A file of ours cannot be used; the text says which one and why."""


def context_of(tls: Tls) -> ssl.SSLContext:
    """Return what a client connects with: TLS 1.2 at least, the server's name checked.

    RFC 9325 (BCP 195), sections 3.1.1 and 6: no less than TLS 1.2, and the name that
    was asked for must stand in the certificate.

    Raises:
        TlsError: a file cannot be read, or the key does not fit.
    """
    context = ssl.SSLContext(ssl.PROTOCOL_TLS_CLIENT)
    context.minimum_version = ssl.TLSVersion.TLSv1_2
    if tls.ca is None:
        context.load_default_certs()
    else:
        _authorities(context, tls.ca)
    if tls.certificate is not None:
        _pair(context, tls.certificate, tls.key or tls.certificate)
    return context


def _authorities(context: ssl.SSLContext, ca: Path) -> None:
    _readable("the authority's certificate", ca)
    try:
        context.load_verify_locations(ca)
    except ssl.SSLError as exc:
        raise TlsError(f"no certificate of an authority in {ca}") from exc


def _pair(context: ssl.SSLContext, certificate: Path, key: Path) -> None:
    _readable("our certificate", certificate)
    _readable("our key", key)
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


def _readable(what: str, path: Path) -> None:
    try:
        path.open("rb").close()  # the library does not say which file is missing
    except OSError as exc:
        raise TlsError(f"{what} {path}: {exc.strerror}") from exc
