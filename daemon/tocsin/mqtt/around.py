"""What the MQTT room needs of the daemon, and knows only by shape."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Protocol

from tocsin.mqtt.events import PAGE, Row

if TYPE_CHECKING:
    from collections.abc import Awaitable, Callable, Sequence
    from pathlib import Path

    from tocsin.mqtt.commands import Request


class Rows(Protocol):
    """Reads the journal, on another thread."""

    def __call__(
        self, *, after_id: int = 0, most: int = PAGE, newest: bool = False
    ) -> Sequence[Row] | None:
        """Return rows in order; None if the journal cannot be read."""
        ...


@dataclass(frozen=True, slots=True, kw_only=True)
class Surroundings:
    """What the publisher needs of the daemon.

    Attributes:
        run_id: Names this run in the journal.
        folder: Where it may remember what the broker has.
        rows: Reads the journal.
        wall_ms: Returns the time of day, ms since 1970.
        on_trouble: Called in the event loop with a reason, and with "" once the broker
            takes what it is given.
        on_certificates: Called now and then with how long the first certificate to end
            still holds, in ms, and with which one it is.
        on_certificate_note: Called with what became of new certificate files.
        obey: Puts a request to the core; returns whether it was done, and the answer.
        on_refused: Called with why a command was refused before the core saw it.
    """

    run_id: str
    folder: Path
    rows: Rows
    wall_ms: Callable[[], int]
    on_trouble: Callable[[str], None]
    on_certificates: Callable[[int, str], None]
    on_certificate_note: Callable[[str], None]
    obey: Callable[[Request], Awaitable[tuple[bool, str]]]
    on_refused: Callable[[str], None]
