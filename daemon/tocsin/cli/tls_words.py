"""What is doubtful with the certificates of a site, as `check` says it."""

from __future__ import annotations

from typing import TYPE_CHECKING

from tocsin import clock
from tocsin.tls import TlsError, load

if TYPE_CHECKING:
    from collections.abc import Iterator

    from tocsin.ports import Tls
    from tocsin_config import Problem, Setup


def doubts(setup: Setup) -> list[Problem]:
    """Return files that cannot be used, and certificates that end or do not hold."""
    if setup.origin is None:
        return []
    told = setup.origin.document.problem
    return [
        told((table, "tls"), wrong, right)
        for table, spec in setup.brokers.items()
        for wrong, right in ([] if spec.tls is None else _doubted(spec.tls))
    ]


def _doubted(tls: Tls) -> Iterator[tuple[str, str]]:
    try:
        held = load(tls).held
    except TlsError as exc:
        yield str(exc), "files that fit and that the daemon's user can read"
        return
    now_s, is_set = clock.wall_ms() / 1_000, clock.is_set()
    for each in held:
        if said := each.standing(now_s, is_clock_set=is_set):
            right = "new files in place of the old; the daemon takes them while it runs"
            yield said, right
