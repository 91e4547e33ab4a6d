"""Whoever uses the connection to a broker."""

from __future__ import annotations

from typing import TYPE_CHECKING, Protocol

if TYPE_CHECKING:
    from collections.abc import Sequence

    from tocsin.mqtt.commands import Heard


FAILURE = 0x80
"""Reason codes from here on say that something was not done: MQTT 5.0 (OASIS, 2019),
section 2.4."""

UNHEARD = 0x10
NOBODY = "no subscriber takes it"
"""The reason code and the words for what was taken, and given to nobody (table 3-8)."""


def refusal(code: int, words: str) -> str:
    """Return why a message was not done, from the broker's *code* and its *words*."""
    if code == UNHEARD:
        return NOBODY
    return words if code >= FAILURE else ""


class Peer(Protocol):
    """Whoever uses the link. All are called in the event loop."""

    def connected(self) -> None:
        """Take note that the broker accepted us."""
        ...

    def failed(self, reason: str) -> None:
        """Take note that there is no connection; tried again by itself."""
        ...

    def rebuilt(self) -> None:
        """Take note that nothing handed over before will be acknowledged."""
        ...

    def acknowledged(self, number: int, refusal: str) -> None:
        """Take note of the broker's answer to message *number*."""
        ...

    def deaf(self, reason: str) -> None:
        """Take note that the broker refuses a subscription."""
        ...

    def heard(self, messages: Sequence[Heard], dropped: int) -> None:
        """Take what came, and how many had no room."""
        ...
