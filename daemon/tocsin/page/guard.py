"""Who may ask, and who may act. Times are given in seconds, secrets are made here.

Everybody who reaches the page may read it. To act, a person signs in once with the
site's token and gets a session: a cookie that scripts cannot see, and a key that every
action must bring along, so that another site's page cannot act with the cookie.
"""

from __future__ import annotations

import hashlib
import hmac
import ipaddress
import secrets
from dataclasses import dataclass, field
from typing import TYPE_CHECKING
from urllib.parse import urlsplit

if TYPE_CHECKING:
    from collections.abc import Mapping

COOKIE = "tocsin"
KEY_HEADER = "x-tocsin-key"

SESSION_S = 43_200.0
"""Who signed in signs in again after twelve hours; common practice, no source."""

MOST_SESSIONS = 32
TRIES = 5
TRIES_WITHIN_S = 60.0
MOST_PEERS = 256
"""So many addresses are told apart; then those that tried longest ago are forgotten."""

ALL_TRIES = 30
"""From all addresses together, within the same time."""

LONGEST_TOKEN = 200
SHORTEST_TOKEN = 12

HEADERS = {
    "Content-Security-Policy": (
        "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self'; "
        "connect-src 'self'; base-uri 'none'; form-action 'none'; "
        "frame-ancestors 'none'"
    ),
    "X-Content-Type-Options": "nosniff",
    "Referrer-Policy": "no-referrer",
    "Cross-Origin-Opener-Policy": "same-origin",
    "Cross-Origin-Resource-Policy": "same-origin",
    "Permissions-Policy": "camera=(), geolocation=(), microphone=()",
    "Server": "tocsin",
}
"""Every answer bears these."""

LETTER = {
    "Content-Security-Policy": (
        "default-src 'none'; style-src 'unsafe-inline'; base-uri 'none'; "
        "form-action 'none'; frame-ancestors 'none'; sandbox"
    )
}
"""A file that carries its own style, and nothing else, bears this instead."""


def is_host_known(header: str, names: frozenset[str]) -> bool:
    """Return whether a Host header names this machine.

    An address always does; a name only if it is one of *names* (lower case): a
    stranger's name that was made to point here (DNS rebinding) does not.
    """
    try:
        parts = urlsplit(f"//{header}")
        host, _ = parts.hostname, parts.port
    except ValueError:
        return False
    if not host or parts.path or parts.query or parts.username is not None:
        return False
    if host.rstrip(".") in names:
        return True
    try:
        ipaddress.ip_address(host)
    except ValueError:
        return False
    return True


def is_same_site(headers: Mapping[str, str]) -> bool:
    """Return False for a request that a browser made for another site's page."""
    if headers.get("sec-fetch-site", "same-origin") not in {"same-origin", "none"}:
        return False
    origin = headers.get("origin")
    try:
        return origin is None or urlsplit(origin).netloc == headers.get("host")
    except ValueError:  # no address at all, such as http://[
        return False


@dataclass(frozen=True, slots=True)
class Session:
    """Somebody who signed in; *key* is what the page must bring along."""

    key: str
    until_s: float


@dataclass(slots=True)
class Tries:
    """Counts failures within a sliding time, by address and in all."""

    by_peer: dict[str, list[float]] = field(default_factory=dict)
    every: list[float] = field(default_factory=list)

    def wait_s(self, peer: str, now_s: float) -> float:
        """Return how long *peer* must wait before it may try; 0 for not at all."""
        own = self._late(self.by_peer.get(peer, []), now_s)
        self.every = self._late(self.every, now_s)
        waits = [0.0]
        if len(own) >= TRIES:
            waits.append(own[-TRIES] + TRIES_WITHIN_S - now_s)
        if len(self.every) >= ALL_TRIES:
            waits.append(self.every[-ALL_TRIES] + TRIES_WITHIN_S - now_s)
        return max(waits)

    def failed(self, peer: str, now_s: float) -> None:
        """Count one failure of *peer*."""
        own = self._late(self.by_peer.pop(peer, []), now_s)
        self.by_peer[peer] = [*own, now_s]
        self.every.append(now_s)
        if len(self.by_peer) > MOST_PEERS:
            del self.by_peer[next(iter(self.by_peer))]

    @staticmethod
    def _late(times: list[float], now_s: float) -> list[float]:
        return [at_s for at_s in times if at_s > now_s - TRIES_WITHIN_S]


@dataclass(slots=True)
class Guard:
    """The token and everybody who signed in with it; None lets nobody act."""

    token: str | None
    tries: Tries = field(default_factory=Tries)
    _sessions: dict[str, Session] = field(default_factory=dict)

    def sign_in(self, offered: str, peer: str, now_s: float) -> str | None:
        """Return the cookie of a new session, or None for the wrong token."""
        right = _digest(self.token or secrets.token_urlsafe())
        if not hmac.compare_digest(_digest(offered), right):
            self.tries.failed(peer, now_s)
            return None
        self._forget(now_s)
        cookie = secrets.token_urlsafe(32)
        key = secrets.token_urlsafe(32)
        self._sessions[_name(cookie)] = Session(key, now_s + SESSION_S)
        return cookie

    def session(self, cookie: str, now_s: float) -> Session | None:
        """Return the living session of *cookie*."""
        found = self._sessions.get(_name(cookie))
        return found if found is not None and found.until_s > now_s else None

    def sign_out(self, cookie: str) -> None:
        """End the session of *cookie*."""
        self._sessions.pop(_name(cookie), None)

    def _forget(self, now_s: float) -> None:
        """Drop what has ended, and the oldest if there are too many."""
        living = [(k, s) for k, s in self._sessions.items() if s.until_s > now_s]
        self._sessions = dict(living[-(MOST_SESSIONS - 1) :])


def brings_key(session: Session, headers: Mapping[str, str]) -> bool:
    """Return whether a request brings its session's key."""
    return hmac.compare_digest(
        _digest(headers.get(KEY_HEADER, "")), _digest(session.key)
    )


def _digest(text: str) -> bytes:
    """Return a digest, so that comparing takes the same time whatever the length."""
    return hashlib.sha256(text.encode("utf-8", "surrogatepass")).digest()


def _name(cookie: str) -> str:
    """Return what a session is kept under: looking it up must tell nothing of it."""
    return hashlib.sha256(cookie.encode("utf-8", "surrogatepass")).hexdigest()
