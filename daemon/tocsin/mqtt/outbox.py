"""What waits to be sent: the newest of each state, and all events there is room for."""

from __future__ import annotations

from collections import deque
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator, Mapping

    from tocsin.mqtt.messages import Message

ROOM = 2_000


class Outbox:
    """Pure bookkeeping of one publisher.

    A topic with a message in flight is left alone until that was acknowledged, so that
    an older value can never come to rest on a newer one.

    Attributes:
        lost: Events given up since it was last asked for by `take_lost`.
    """

    def __init__(self, *, room: int = ROOM) -> None:
        self._room = room
        self._states: dict[str, Message] = {}
        self._dirty: dict[str, None] = {}
        self._events: deque[tuple[Message, bool]] = deque()
        self._in_flight: set[str] = set()
        self.lost = 0

    def __len__(self) -> int:
        """Return how many messages wait."""
        return len(self._dirty) + len(self._events)

    def show(self, states: Mapping[str, Message], removal: type[Message]) -> None:
        """Take the whole of the retained state; what is not in it is to be removed."""
        for topic in self._states.keys() - states.keys():
            self.put(removal(topic=topic, payload=b""))
        for message in states.values():
            if self._states.get(message.topic) != message:
                self.put(message)

    def put(self, message: Message) -> None:
        """Take one state; an empty one is sent and then forgotten."""
        self._states[message.topic] = message
        self._dirty[message.topic] = None

    def add(self, events: Iterable[Message], *, is_alarm: bool) -> None:
        """Take events, in order. Without room the oldest that is no alarm goes."""
        for event in events:
            if len(self._events) >= self._room:
                self._drop_one()
            self._events.append((event, is_alarm))

    def add_last(self, event: Message) -> None:
        """Take one event whether there is room or not: it says what was lost."""
        self._events.append((event, True))

    def _drop_one(self) -> None:
        self.lost += 1
        for index, (_, is_alarm) in enumerate(self._events):
            if not is_alarm:
                del self._events[index]
                return
        self._events.popleft()

    def take_lost(self) -> int:
        """Return how many events were given up, and count anew."""
        lost, self.lost = self.lost, 0
        return lost

    def begin(self) -> None:
        """Begin a connection: nothing is in flight, every state is sent anew."""
        self._in_flight.clear()
        self._states = {t: m for t, m in self._states.items() if m.payload}
        self._dirty = dict.fromkeys(self._states)

    def taken(self) -> Iterator[Message]:
        """Yield what may be sent now, events first; each is in flight from then on."""
        while self._events and self._may(self._events[0][0].topic):
            event, _ = self._events.popleft()
            self._in_flight.add(event.topic)
            yield event
        for topic in list(self._dirty):
            if self._may(topic):
                del self._dirty[topic]
                self._in_flight.add(topic)
                message = self._states[topic]
                if not message.payload:
                    del self._states[topic]
                yield message

    def _may(self, topic: str) -> bool:
        return topic not in self._in_flight

    def acknowledged(self, topic: str) -> None:
        """Note that the broker has what was in flight on *topic*."""
        self._in_flight.discard(topic)

    def knows(self, topic: str) -> bool:
        """Return True if *topic* bears a state now."""
        message = self._states.get(topic)
        return message is not None and bool(message.payload)
