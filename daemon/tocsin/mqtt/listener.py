"""A connection that listens for a service, and acknowledges only what is safe.

Shared subscriptions (MQTT 5.0, OASIS 2019, section 4.8.2) divide what comes among
everybody who listens in the same group. The session outlives the connection
(3.1.2.11.2) so that nothing is lost meanwhile, and the broker sends no more ahead of
our acknowledgements than we ask for (3.1.2.11.3).
"""

from __future__ import annotations

import sys
import threading
from contextlib import suppress
from typing import TYPE_CHECKING

from tocsin.mqtt.commands import Heard
from tocsin.mqtt.hearing import LEFT
from tocsin.mqtt.link import LONGEST_DESCRIPTION, Link

if TYPE_CHECKING:
    from collections.abc import Iterable, Mapping
    from typing import Any

    from tocsin.mqtt.peer import Peer
    from tocsin.ports import BrokerSpec

AHEAD = 1_000
"""Messages that the broker may send ahead of our acknowledgements."""

KEEPS_S = 7 * 86_400
"""So long the broker keeps what comes while we are away."""


class Listener(Link):
    """Listens to *filters*, each with its quality of service."""

    is_clean = False

    def __init__(
        self,
        spec: BrokerSpec,
        *,
        client_id: str,
        peer: Peer,
        filters: Mapping[str, int],
        seed: int | None = None,
    ) -> None:
        self._filters = filters
        self._turn = 0
        self._turning = threading.Lock()
        super().__init__(spec, client_id=client_id, will=None, peer=peer, seed=seed)

    def listen_on(self) -> None:
        """Ask for all there is to hear; told by `Peer.connected` that we may."""
        with suppress(ValueError):  # the connection has just gone
            for each, qos in self._filters.items():
                self._client.subscribe(each, qos=qos)

    def listen_no_more(self) -> None:
        """Ask for nothing new; what the broker holds for us still comes."""
        self.unlisten(list(self._filters))

    def acknowledge(self, heard: Iterable[Heard]) -> None:
        """Tell the broker that these are safe, in the order in which they came.

        What came on an earlier connection comes again: its number may by now be
        another message's.
        """
        for each in heard:
            with self._turning:
                if each.number and each.turn == self._turn:
                    self._client.ack(each.number, 1)

    def is_of_now(self, heard: Heard) -> bool:
        """Return True if *heard* can still be acknowledged."""
        return heard.turn == self._turn

    def _made(self) -> Any:  # noqa: ANN401 the library's client, which has one home
        self._turned()
        client = super()._made()
        client.manual_ack_set(True)
        return client

    def _turned(self) -> None:
        with self._turning:
            self._turn += 1

    # --- on the library's thread -----------------------------------------------------

    def _ask(self, properties: Any) -> None:  # noqa: ANN401 the library's
        properties.SessionExpiryInterval = KEEPS_S
        properties.ReceiveMaximum = AHEAD

    def _on_connect(self, client: object, *told: Any) -> None:  # noqa: ANN401 the library's
        if client is self._client:
            self._turned()
        super()._on_connect(client, *told)

    def _on_disconnect(self, client: object, *told: Any) -> None:  # noqa: ANN401 the library's
        if client is self._client:
            self._turned()
        super()._on_disconnect(client, *told)

    def _on_message(self, client: object, _u: object, message: Any) -> None:  # noqa: ANN401 the library's
        if client is not self._client:
            return
        heard = Heard(
            topic=message.topic,
            payload=bytes(message.payload[:LONGEST_DESCRIPTION]),
            is_retained=bool(message.retain),
            number=message.mid if message.qos else 0,
            turn=self._turn,
        )
        self._keep(heard, room=sys.maxsize if message.qos else LEFT)
