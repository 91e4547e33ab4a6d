"""A broker, and the daemon's link to it: connections that come and go, late answers.

It keeps what is retained until it expires, answers late or never, refuses, and says
things that nobody subscribed to. The link stands where `tocsin.mqtt.link.Link` does.
"""

from __future__ import annotations

import asyncio
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    import random
    from collections.abc import Callable, Sequence

    from tests.faults.loop import Time
    from tests.faults.tally import Story, Tally

    from tocsin.mqtt.commands import Heard
    from tocsin.mqtt.messages import Message
    from tocsin.mqtt.peer import Peer
    from tocsin.ports import BrokerSpec

QUEUED = 64
RETRY_S = 5.0
DROPPED_S = 30.0


class Broker:
    """One broker, whoever is connected.

    Attributes:
        kept: What is retained, by topic: payload and when it expires.
        is_up, is_refusing, is_mute: It answers; it refuses connections; it takes
            messages and never acknowledges.
        on_message: Called with each message that arrived.
    """

    def __init__(
        self, time: Time, chance: random.Random, tally: Tally, story: Story
    ) -> None:
        self.time = time
        self.chance = chance
        self.tally = tally
        self.story = story
        self.kept: dict[str, tuple[bytes, float]] = {}
        self.is_up = True
        self.is_refusing = self.is_mute = self.is_full = False
        self.link: FakeLink | None = None
        self.on_message: Callable[[Message], None] = lambda _: None

    def take(self, message: Message) -> None:
        """Take a message."""
        self.tally.counts["messages"] += 1
        now_s = self.time.now_s
        self.story.note(message.topic)
        if message.is_retained:
            if message.payload:
                lasts_s = (
                    float("inf") if message.expires_s is None else message.expires_s
                )
                self.kept[message.topic] = message.payload, now_s + lasts_s
            else:
                self.kept.pop(message.topic, None)
        self.on_message(message)

    def said(self, topic: str) -> bytes | None:
        """Return what is retained on *topic* now."""
        payload, until_s = self.kept.get(topic, (None, 0.0))
        return payload if self.time.now_s < until_s else None

    def flap(self, for_s: float) -> None:
        """Break every connection, and be away for a while."""
        self.tally.faults["broker flap"] += 1
        self.is_up = False
        asyncio.get_running_loop().call_later(for_s, self._back)
        if self.link is not None:
            self.link.lose("the connection ended: the broker is shutting down")

    def _back(self) -> None:
        self.is_up = True

    def push(self, heard: Heard) -> bool:
        """Send a message to whoever is connected, asked for or not."""
        link = self.link
        if link is None or not link.is_connected:
            return False
        link.peer.heard((heard,), 0)
        return True


class FakeLink:
    """What the publisher takes for its connection; see `tocsin.mqtt.link.Link`."""

    def __init__(
        self,
        spec: BrokerSpec,
        *,
        client_id: str,
        will: Message,
        peer: Peer,
        seed: int | None = None,
        broker: Broker,
    ) -> None:
        del client_id, seed
        self.is_version_5 = spec.protocol == "5"
        self.peer = peer
        self.is_connected = False
        self._will = will
        self._broker = broker
        self._number = 0
        self._waiting: dict[int, tuple[Message, bool]] = {}
        self._is_ended = False
        self._timer: asyncio.TimerHandle | None = None
        self._was_refused = False
        broker.link = self

    def begin(self) -> None:
        """Begin to connect."""
        self._later(0.05, self._connect)

    def _later(self, after_s: float, what: Callable[..., None], *args: Any) -> None:
        loop = asyncio.get_running_loop()
        handle = loop.call_later(after_s, what, *args)
        if what == self._connect:
            if self._timer is not None:
                self._timer.cancel()
            self._timer = handle

    def _connect(self) -> None:
        broker = self._broker
        if self._is_ended or self.is_connected:
            return
        if broker.is_up and not broker.is_refusing:
            self.is_connected = True
            self.peer.connected()
            for number in list(self._waiting):
                self._transmit(number)
            return
        if broker.is_refusing:
            broker.tally.faults["broker refusing"] += 1
            self.peer.failed("the broker refuses: Not authorized")
        else:
            self.peer.failed("no broker: connection refused")
        self._later(RETRY_S * broker.chance.uniform(1, 8), self._connect)

    def lose(self, why: str) -> None:
        """Break the connection."""
        if not self.is_connected:
            return
        self.is_connected = False
        if self._will.is_retained:
            self._broker.take(self._will)
        if not self._is_ended:
            self.peer.failed(why)
            self._later(RETRY_S * self._broker.chance.uniform(0.2, 3), self._connect)

    def rebuild(self, why: str) -> None:
        """Begin anew, with nothing in flight."""
        self._broker.tally.counts["links rebuilt"] += 1
        self._waiting.clear()
        self.is_connected = False
        self.peer.failed(why)
        self.peer.rebuilt()
        self._later(1.0, self._connect)

    def send(self, message: Message) -> int | None:
        """Hand a message over; None if there is no room."""
        if len(self._waiting) >= QUEUED:
            return None
        self._number += 1
        self._waiting[self._number] = message, False
        if self.is_connected:
            self._transmit(self._number)
        return self._number

    def _transmit(self, number: int) -> None:
        message, _ = self._waiting[number]
        broker = self._broker
        if self._is_ended and broker.link is not self:
            return
        broker.take(message)  # twice, if an answer was lost: at least once is promised
        self._waiting[number] = message, True
        if broker.is_mute:
            broker.tally.faults["broker mute"] += 1
            return
        self._later(0.01, self._answered, number)

    def _answered(self, number: int) -> None:
        if not self.is_connected or number not in self._waiting:
            return
        refusal = ""
        if self._broker.is_full:
            self._broker.tally.faults["broker quota"] += 1
            refusal = "Quota exceeded"
        del self._waiting[number]
        self.peer.acknowledged(number, refusal)

    def listen(self, filters: Sequence[str]) -> None:
        """Hear what is kept. Other runs left nothing but the same topics here."""

    def unlisten(self, filters: Sequence[str]) -> None:
        """Hear no more of it."""

    def obey(self, command: str) -> None:
        """Ask for live commands."""

    async def end(self, within_s: float) -> None:
        """Disconnect."""
        del within_s
        self._is_ended = True
        self.is_connected = False
        if self._timer is not None:
            self._timer.cancel()
        await asyncio.sleep(0)

    def die(self) -> None:
        """Be the link of a process that is dead: the broker publishes its will."""
        self._is_ended = True
        if self.is_connected:
            self.is_connected = False
            self._broker.take(self._will)
