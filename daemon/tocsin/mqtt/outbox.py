"""What waits to be sent: the newest of each topic. Pure; times are seconds."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from tocsin.mqtt.messages import Message, removal

if TYPE_CHECKING:
    from collections.abc import Collection, Iterable, Iterator, Mapping


@dataclass(slots=True)
class _Kept:
    """One topic.

    Attributes:
        newest: What the broker should keep; empty to make it forget.
        sent: What was handed over last, at
        sent_s: this time; None if nothing was since the connection began.
        is_due: It must be sent.
    """

    newest: Message
    sent: Message | None = None
    sent_s: float = 0.0
    is_due: bool = True

    def judge(self, now_s: float, *, is_hurried: bool) -> None:
        """Find out whether it must be sent now."""
        if self.sent is None:
            self.is_due = True
            return
        age_s, again_s = now_s - self.sent_s, self.newest.again_s
        if again_s is not None and age_s >= again_s:
            self.is_due = True
        elif self.newest.is_news(self.sent):
            self.is_due = is_hurried or age_s >= self.newest.gap_s


class Outbox:
    """Pure bookkeeping of one connection.

    A topic with a message in flight is left alone until that was acknowledged, so that
    an older value can never come to rest on a newer one.

    Attributes:
        unproved: Topics that the broker has not answered since all began anew.
    """

    def __init__(self) -> None:
        self._kept: dict[str, _Kept] = {}
        self._in_flight: set[str] = set()
        self._taken: set[str] = set()  # since everything began anew
        self.unproved: set[str] = set()

    def __len__(self) -> int:
        """Return how many topics must be sent."""
        return sum(kept.is_due for kept in self._kept.values())

    def show(
        self,
        messages: Mapping[str, Message],
        now_s: float,
        *,
        apart: Collection[str] = (),
        is_hurried: bool = False,
    ) -> None:
        """Take the whole of what should be kept.

        What is not in it is removed at the broker, but for the topics *apart*.
        *is_hurried*: gaps do not count.
        """
        for topic, kept in self._kept.items():
            if kept.newest.payload and topic not in messages and topic not in apart:
                self.remove(topic)
        for message in messages.values():
            self.put(message, now_s, is_hurried=is_hurried)

    def put(self, message: Message, now_s: float, *, is_hurried: bool = False) -> None:
        """Take one topic, to be sent if it is news or due."""
        kept = self._kept.get(message.topic)
        if kept is None:
            self._kept[message.topic] = _Kept(message)
        else:
            kept.newest = message
            kept.judge(now_s, is_hurried=is_hurried)

    def remove(self, topic: str) -> None:
        """Have the broker forget *topic*, whether or not we ever wrote it."""
        kept = self._kept.setdefault(topic, _Kept(removal(topic)))
        if kept.newest.payload:
            kept.newest, kept.is_due = removal(topic), True

    def refresh(self, now_s: float) -> None:
        """Find what must be sent although nothing changed."""
        for kept in self._kept.values():
            kept.judge(now_s, is_hurried=False)

    def reconnected(self) -> None:
        """Hear that nothing is in flight any more."""
        self._in_flight.clear()

    def begin(self, first: Iterable[str] = ()) -> None:
        """Have all sent anew, the topics *first* before others.

        What was being removed is tried once more.
        """
        self._taken.clear()
        order = [*dict.fromkeys((*first, *self._kept))]
        self._kept = {t: self._kept[t] for t in order if t in self._kept}
        for kept in self._kept.values():
            kept.sent, kept.is_due = None, True
        self.unproved = set(self._kept)

    def taken(self, now_s: float) -> Iterator[Message]:
        """Yield what may be sent now; each is in flight from then on."""
        for topic, kept in list(self._kept.items()):
            if kept.is_due and topic not in self._in_flight:
                self._in_flight.add(topic)
                self._taken.add(topic)
                kept.is_due, kept.sent, kept.sent_s = False, kept.newest, now_s
                yield kept.newest

    def acknowledged(self, topic: str) -> None:
        """Note that the broker has answered what was in flight on *topic*."""
        self._in_flight.discard(topic)
        if topic in self._taken:
            self.unproved.discard(topic)
        kept = self._kept.get(topic)
        if kept is not None and not kept.newest.payload and not kept.is_due:
            del self._kept[topic]

    def returned(self, topic: str) -> None:
        """Note that *topic* could not be handed over after all."""
        self._in_flight.discard(topic)
        if topic in self._kept:
            self._kept[topic].is_due = True

    def knows(self, topic: str) -> bool:
        """Return True if *topic* bears a value now."""
        kept = self._kept.get(topic)
        return kept is not None and bool(kept.newest.payload)

    def kept(self) -> dict[str, Message]:
        """Return what the broker should keep now."""
        return {t: k.newest for t, k in self._kept.items() if k.newest.payload}
