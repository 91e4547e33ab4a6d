"""Who listens: bounded in number, each with a bounded queue; who is slow is dropped."""

from __future__ import annotations

import asyncio
import json
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from collections.abc import Mapping

MOST_STREAMS = 128
LONGEST_QUEUE = 8
"""So many messages may wait for one reader: some eight seconds of a living daemon."""


@dataclass(eq=False, slots=True)
class Stream:
    """One reader. An empty message means: you are dropped."""

    queue: asyncio.Queue[bytes] = field(
        default_factory=lambda: asyncio.Queue(LONGEST_QUEUE)
    )

    def drop(self) -> None:
        """Let what waits go, and end."""
        while not self.queue.empty():
            self.queue.get_nowait()
        self.queue.put_nowait(b"")


@dataclass(slots=True)
class Streams:
    """Sends each reader the whole picture first, then only the parts that changed."""

    _parts: dict[str, str] = field(default_factory=dict)
    _every: set[Stream] = field(default_factory=set)

    def __len__(self) -> int:
        return len(self._every)

    def join(self) -> Stream | None:
        """Return a new stream, or None if there are too many."""
        if len(self._every) >= MOST_STREAMS:
            return None
        stream = Stream()
        if self._parts:
            stream.queue.put_nowait(_event("whole", self._parts))
        self._every.add(stream)
        return stream

    def leave(self, stream: Stream) -> None:
        """Forget *stream*."""
        self._every.discard(stream)

    def publish(self, picture: Mapping[str, Any]) -> None:
        """Send what of *picture* changed since the last one."""
        parts = {name: written(part) for name, part in picture.items()}
        new = {k: text for k, text in parts.items() if self._parts.get(k) != text}
        kind = "parts" if self._parts else "whole"
        self._parts = parts
        if not self._every:
            return
        message = _event(kind, new)
        for stream in list(self._every):
            if stream.queue.full():
                self.leave(stream)
                stream.drop()
            else:
                stream.queue.put_nowait(message)

    def end(self) -> None:
        """Drop everybody."""
        for stream in list(self._every):
            self.leave(stream)
            stream.drop()


def written(value: object) -> str:
    """Return *value* as compact JSON."""
    return json.dumps(value, separators=(",", ":"), ensure_ascii=False)


def _event(kind: str, parts: Mapping[str, str]) -> bytes:
    inside = ",".join(f"{json.dumps(name)}:{text}" for name, text in parts.items())
    return f"event: {kind}\ndata: {{{inside}}}\n\n".encode()
