"""What a message is, and how long the broker may keep it. Pure.

Expiry: MQTT 5.0 (OASIS, 2019), section 3.3.2.3.3. A value is sent again before half of
its expiry has passed; one that nobody refreshes goes, so an old value cannot pass for a
new one.
"""

from __future__ import annotations

from dataclasses import dataclass

STATE_EXPIRES_S, STATE_AGAIN_S = 100, 30
VALUE_EXPIRES_S, VALUE_AGAIN_S = 120, 55
VALUE_GAP_S = 1.0
SNAPSHOT_GAP_S = 10.0
REPLY_EXPIRES_S = 60


@dataclass(frozen=True, slots=True, kw_only=True)
class Message:
    """One message; an empty retained payload removes what the broker keeps.

    Attributes:
        expires_s: The broker drops it after this long; None to keep it.
        again_s: It is sent again after this long even if nothing changed.
        gap_s: Changes follow each other at this distance at least.
        reading: The number in the payload, and by how much it must
        band: differ from the one last sent to be sent before its time.
        correlation: Correlation data, of an answer.
    """

    topic: str
    payload: bytes
    is_retained: bool = True
    expires_s: int | None = None
    again_s: float | None = None
    gap_s: float = 0.0
    reading: float | None = None
    band: float = 0.0
    correlation: bytes | None = None

    def is_news(self, sent: Message) -> bool:
        """Return True if this differs enough from what was *sent* last."""
        if (self.payload, self.expires_s) == (sent.payload, sent.expires_s):
            return False
        if self.reading is None or sent.reading is None:
            return True
        return abs(self.reading - sent.reading) >= self.band


def state(topic: str, said: str, *, slower: int = 1) -> Message:
    """Return a device's ``$state``; only what claims life expires.

    It is refreshed, and runs out, so many times *slower*.
    """
    is_alive = said in {"init", "ready"}
    return Message(
        topic=topic,
        payload=said.encode(),
        expires_s=STATE_EXPIRES_S * slower if is_alive else None,
        again_s=STATE_AGAIN_S * slower if is_alive else None,
    )


def lasting(topic: str, payload: bytes) -> Message:
    """Return a message that the broker keeps until it is replaced."""
    return Message(topic=topic, payload=payload)


def removal(topic: str) -> Message:
    """Return the message that makes the broker forget *topic* (section 3.3.1.3)."""
    return Message(topic=topic, payload=b"")
