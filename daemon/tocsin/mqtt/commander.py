"""Puts commands of the broker to the core, one by one, and says what became of them."""

from __future__ import annotations

import asyncio
from typing import TYPE_CHECKING, Any

from tocsin.clock import iso_time, loop_s
from tocsin.mqtt.commands import (
    Gate,
    Heard,
    RefusedError,
    may_answer,
    parsed,
    verb_of,
)
from tocsin.mqtt.messages import REPLY_EXPIRES_S, Message, lasting
from tocsin.mqtt.payloads import document

if TYPE_CHECKING:
    from collections.abc import Callable

    from tocsin.core.events import Verb
    from tocsin.mqtt.around import Surroundings
    from tocsin.mqtt.names import Names

    Answer = Callable[[Message | None, Message | None], None]

WAITING = 64
NOTES = 5
NOTES_S = 60.0
"""At most so many refusals go to the journal a minute: a flood must not fill it."""


class Commander:
    """Commands of one site."""

    def __init__(self, names: Names, around: Surroundings) -> None:
        self._prefix = names.topic(names.root, "command", "")
        self._last = names.topic(names.root, "command", "last")
        self._replies = names.replies
        self._around = around
        self._gate = Gate()
        self._waiting: asyncio.Queue[Heard] = asyncio.Queue(WAITING)
        self._notes: list[float] = []
        self._unnoted = 0

    def take(self, heard: Heard) -> None:
        """Take a message on a command's topic; without room it is dropped."""
        try:
            self._waiting.put_nowait(heard)
        except asyncio.QueueFull:
            self.dropped(1)

    def dropped(self, count: int) -> None:
        """Hear that commands had no room."""
        self._note(f"{count} commands came at once and were dropped")

    async def work(self, answer: Answer) -> None:
        """Obey or refuse, for ever."""
        while True:
            heard = await self._waiting.get()
            await self._handle(heard, answer)

    async def _handle(self, heard: Heard, answer: Answer) -> None:
        verb = verb_of(heard.topic, self._prefix)
        now_ms = int(loop_s() * 1000)
        by = "mqtt"
        try:
            request = parsed(heard, verb)
            self._gate.admit(request, wall_ms=self._around.wall_ms(), now_ms=now_ms)
        except RefusedError as exc:
            self._note(f"{verb or 'unknown command'}: {exc}")
            if exc.is_silent:
                return
            key, is_done, why = exc.id, False, str(exc)
        else:
            key, by = request.id, request.by
            is_done, why = await self._around.obey(request)
        told = self._result(key, verb, by=by, is_done=is_done, why=why)
        reply = None
        if may_answer(heard, self._replies):
            reply = Message(
                topic=heard.reply_to,
                payload=document(told),
                is_retained=False,
                expires_s=REPLY_EXPIRES_S,
                correlation=heard.correlation,
            )
        answer(lasting(self._last, document(told)), reply)

    def _result(
        self, key: str, verb: Verb | None, *, by: str, is_done: bool, why: str
    ) -> dict[str, Any]:
        return {
            "id": key,
            "verb": None if verb is None else verb.value,
            "at": iso_time(self._around.wall_ms()),
            "by": by,
            "accepted": is_done,
            "outcome": why,
        }

    def _note(self, text: str) -> None:
        """Have a refusal written down, unless there were many lately."""
        now_s = loop_s()
        self._notes = [at_s for at_s in self._notes if now_s - at_s < NOTES_S]
        if len(self._notes) >= NOTES:
            self._unnoted += 1
            return
        self._notes.append(now_s)
        more = f" (and {self._unnoted} more like it)" if self._unnoted else ""
        self._unnoted = 0
        self._around.on_refused(f"a command over MQTT was refused: {text}{more}")
