"""Whoever uses the connection to a broker."""

from __future__ import annotations

from typing import TYPE_CHECKING, Protocol

if TYPE_CHECKING:
    from collections.abc import Sequence

    from tocsin.mqtt.commands import Heard


NOBODY = "no subscriber takes it"
"""An answer of MQTT 5 (OASIS, 2019), table 3-8: taken, and given to nobody."""


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
