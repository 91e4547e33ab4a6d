"""The MQTT room's door: told by the event loop, never holding it up."""

from __future__ import annotations

import asyncio
from contextlib import suppress
from typing import TYPE_CHECKING, Any, Self

from tocsin.core.events import AlarmFact
from tocsin.mqtt.link import Link
from tocsin.mqtt.messages import (
    Message,
    Topics,
    availability,
    event,
    loss,
    removal,
    states,
)
from tocsin.mqtt.outbox import ROOM, Outbox

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping, Sequence
    from types import TracebackType

    from tocsin.core.events import Fact
    from tocsin.ports import BrokerSpec

IN_FLIGHT = 16
"""Messages handed over and not acknowledged; brokers commonly take twenty."""

ALIVE_EVERY_S = 15.0
LEFTOVERS_S = 5.0
READ_AGAIN_S = 10.0
CLOSING_S = 1.0


class Publisher:
    """Publishes one site; use as an async context manager in the event loop.

    Args:
        spec: The broker.
        site: The site's name; a topic level is made of it.
        wall_ms: Returns the time of day, ms since 1970.
        on_trouble: Called in the event loop with a reason, and with "" once the broker
            takes what it is given.
        seed: Of the jitter in the pause before reconnecting.
        room: Events kept while there is no broker.

    `tell`, `show` and `alive` never wait and never raise. Leaving the context says
    ``offline`` and takes two seconds at most, whatever the broker does.
    """

    def __init__(
        self,
        spec: BrokerSpec,
        *,
        site: str,
        wall_ms: Callable[[], int],
        on_trouble: Callable[[str], None],
        seed: int | None = None,
        room: int = ROOM,
    ) -> None:
        self._spec = spec
        self._topics = Topics.of(spec.base, site)
        self._wall_ms = wall_ms
        self._on_trouble = on_trouble
        self._seed = seed
        self._outbox = Outbox(room=room)
        self._in_flight: dict[int, str] = {}
        self._link: Link | None = None
        self._timers: set[asyncio.TimerHandle] = set()
        self._number = 0
        self._trouble = ""
        self._is_connected = False
        self._is_open = False
        self._said_alive_s = -ALIVE_EVERY_S

    async def __aenter__(self) -> Self:
        """Begin to connect; trouble with the broker is told, not raised."""
        will = availability(self._topics, is_online=False)
        self._link = Link(self._spec, will=will, peer=self, seed=self._seed)
        self._begin()
        return self

    async def __aexit__(
        self,
        kind: type[BaseException] | None,
        exc: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        """Send what can be sent, say goodbye, and stop."""
        for timer in self._timers:
            timer.cancel()
        link, self._link = self._link, None
        if link is None:
            return
        if self._is_open:
            for message in self._outbox.taken():
                self._hand_over(link, message)
            self._hand_over(link, availability(self._topics, is_online=False))
            with suppress(TimeoutError):
                async with asyncio.timeout(CLOSING_S):
                    while self._in_flight:  # noqa: ASYNC110 a second at most, at the end
                        await asyncio.sleep(0.01)
        await link.end(CLOSING_S)

    # --- told by the daemon ----------------------------------------------------------

    def tell(self, facts: Sequence[Fact]) -> None:
        """Publish each fact once, in order."""
        for fact in facts:
            self._number += 1
            message = event(
                self._topics, fact, number=self._number, wall_ms=self._wall_ms()
            )
            self._outbox.add([message], is_alarm=isinstance(fact, AlarmFact))
        self._send()

    def show(self, snapshot: Mapping[str, Any]) -> None:
        """Publish what is seen and demanded now; the newest wins."""
        self._outbox.show(states(self._topics, snapshot), Message)
        self._send()

    def alive(self) -> None:
        """Note that a step was completed; says ``online`` again now and then."""
        now_s = asyncio.get_running_loop().time()
        if self._is_open and now_s - self._said_alive_s >= ALIVE_EVERY_S:
            self._said_alive_s = now_s
            self._outbox.put(availability(self._topics, is_online=True))
            self._send()

    # --- told by the link ------------------------------------------------------------

    def connected(self) -> None:
        """Wait for what is still in flight, so that nothing old follows the new."""
        self._is_connected = True
        if self._in_flight:
            self._later(LEFTOVERS_S, self._open)
        else:
            self._open()

    def failed(self, reason: str) -> None:
        """Note that there is no connection."""
        self._is_connected = self._is_open = False
        self._say_trouble(reason)

    def acknowledged(self, number: int, refusal: str) -> None:
        """Note the broker's answer to one message."""
        topic = self._in_flight.pop(number, None)
        if topic is None:
            return
        self._outbox.acknowledged(topic)
        if refusal:
            self._say_trouble(f"the broker refuses {topic}: {refusal}")
        elif self._is_open:
            self._say_trouble("")
        if self._is_connected and not self._is_open and not self._in_flight:
            self._open()
        self._send()

    def heard(self, topic: str) -> None:
        """Remove what another run left, unless it is ours again."""
        if topic.startswith(f"{self._topics.root}/") and not self._outbox.knows(topic):
            self._outbox.put(removal(topic))
            self._send()

    # --- within ----------------------------------------------------------------------

    def _begin(self) -> None:
        if self._link is None:
            return
        try:
            self._link.begin()
        except (OSError, UnicodeDecodeError) as exc:
            self._say_trouble(f"password file {self._spec.password_file}: {exc}")
            self._later(READ_AGAIN_S, self._begin)

    def _later(self, after_s: float, what: Callable[[], None]) -> None:
        self._timers.add(asyncio.get_running_loop().call_later(after_s, what))

    def _open(self) -> None:
        """Send every state anew, and ask what the broker keeps of older runs."""
        if not self._is_connected or self._is_open or self._link is None:
            return
        self._is_open = True
        self._in_flight.clear()
        self._outbox.begin()
        if lost := self._outbox.take_lost():
            self._number += 1
            said = loss(
                self._topics, lost, number=self._number, wall_ms=self._wall_ms()
            )
            self._outbox.add_last(said)
        self._said_alive_s = -ALIVE_EVERY_S
        self.alive()
        self._link.listen(self._topics.kept)
        self._send()

    def _send(self) -> None:
        if not self._is_open or self._link is None:
            return
        while len(self._in_flight) < IN_FLIGHT:
            message = next(self._outbox.taken(), None)
            if message is None or not self._hand_over(self._link, message):
                return

    def _hand_over(self, link: Link, message: Message) -> bool:
        number = link.send(message)
        if number is None:
            self._outbox.acknowledged(message.topic)
            return False
        self._in_flight[number] = message.topic
        return True

    def _say_trouble(self, reason: str) -> None:
        if reason != self._trouble:
            self._trouble = reason
            self._on_trouble(reason)
