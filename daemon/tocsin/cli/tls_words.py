"""What is doubtful with the certificates of a site, as `check` says it."""

from __future__ import annotations

from typing import TYPE_CHECKING

from tocsin import clock
from tocsin.tls import TlsError, load

if TYPE_CHECKING:
    from tocsin_config import Problem, Setup

AT = ("mqtt", "tls")


def doubts(setup: Setup) -> list[Problem]:
    """Return files that cannot be used, and certificates that end or do not hold."""
    if setup.broker is None or setup.broker.tls is None or setup.origin is None:
        return []
    try:
        held = load(setup.broker.tls).held
    except TlsError as exc:
        right = "files that fit and that the daemon's user can read"
        return [setup.origin.document.problem(AT, str(exc), right)]
    now_s, is_set = clock.wall_ms() / 1_000, clock.is_set()
    said = (each.standing(now_s, is_clock_set=is_set) for each in held)
    right = "new files in place of the old; the daemon takes them while it runs"
    return [setup.origin.document.problem(AT, each, right) for each in said if each]
