"""Who listens: bounded in number, each with a bounded queue; who is slow is dropped."""

from __future__ import annotations

import asyncio
import json
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping

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
    """Sends each reader the whole picture first, then only the parts that changed.

    While nobody reads, no picture is made; `len` says so from any thread.
    """

    _parts: dict[str, str] = field(default_factory=dict)
    _every: set[Stream] = field(default_factory=set)

    def __len__(self) -> int:
        return len(self._every)

    def join(self, look: Callable[[], Mapping[str, Any] | None]) -> Stream | None:
        """Return a new stream, or None if there are too many.

        *look* returns the picture of now, None before there is one. It is called after
        the reader was counted in, so whatever comes later will be published.
        """
        if len(self._every) >= MOST_STREAMS:
            return None
        stream = Stream()
        is_first = not self._every
        self._every.add(stream)
        if is_first:
            self._parts = _written_parts(look() or {})
        if self._parts:
            stream.queue.put_nowait(_event("whole", self._parts))
        return stream

    def leave(self, stream: Stream) -> None:
        """Forget *stream*."""
        self._every.discard(stream)

    def publish(self, picture: Mapping[str, Any]) -> None:
        """Send what of *picture* changed since the last one."""
        if not self._every:
            return
        parts = _written_parts(picture)
        new = {k: text for k, text in parts.items() if self._parts.get(k) != text}
        kind = "parts" if self._parts else "whole"
        self._parts = parts
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


def _written_parts(picture: Mapping[str, Any]) -> dict[str, str]:
    return {name: written(part) for name, part in picture.items()}


def _event(kind: str, parts: Mapping[str, str]) -> bytes:
    inside = ",".join(f"{json.dumps(name)}:{text}" for name, text in parts.items())
    return f"event: {kind}\ndata: {{{inside}}}\n\n".encode()
