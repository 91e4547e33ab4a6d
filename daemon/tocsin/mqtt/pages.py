"""Pages of the history for whoever asks over the link to a fleet. Changes nothing."""

from __future__ import annotations

import asyncio
import json
from typing import TYPE_CHECKING, Any

from tocsin.clock import loop_s
from tocsin.mqtt.commands import LONGEST, Heard, may_answer
from tocsin.mqtt.messages import REPLY_EXPIRES_S, Message
from tocsin.mqtt.payloads import document
from tocsin.mqtt.uplink_nodes import ROWS_STEP_S, page_schema

if TYPE_CHECKING:
    from collections.abc import Awaitable, Callable, Mapping

    from tocsin.mqtt.commander import Answer
    from tocsin.mqtt.names import Names

    Page = Callable[[int, int, int], Awaitable[dict[str, Any]]]

WAITING = 8
"""Requests that wait for their turn; more are not answered."""

BURST, EVERY_S = 30, 60.0
"""Pages a minute; common practice, no source."""


class BadRequestError(Exception):
    """No page can be given; the text says why."""


class Pages:
    """Answers requests one by one, and not too often.

    Args:
        names: Where a request may ask to be answered.
        read: Returns the page of (since, until, step), all in ms. Raises
            BadRequestError.
    """

    def __init__(self, names: Names, read: Page) -> None:
        self._replies = f"{names.replies}history/"
        self._read = read
        self._waiting: asyncio.Queue[Heard] = asyncio.Queue(WAITING)
        self._tokens, self._at_s = float(BURST), loop_s()

    def take(self, heard: Heard) -> None:
        """Take a request; nobody to answer, or no room: it is dropped."""
        is_asked = not heard.is_retained and may_answer(heard, self._replies)
        if is_asked and not self._waiting.full():
            self._waiting.put_nowait(heard)

    def dropped(self, count: int) -> None:
        """Hear that requests had no room: whoever asked asks again."""
        del count

    async def work(self, answer: Answer) -> None:
        """Answer, for ever."""
        while True:
            heard = await self._waiting.get()
            try:
                told = await self._read(*_parsed(heard.payload, self._admit()))
            except BadRequestError as exc:
                told = {"error": str(exc)}
            reply = Message(
                topic=heard.reply_to,
                payload=document(told),
                is_retained=False,
                expires_s=REPLY_EXPIRES_S,
                correlation=heard.correlation,
            )
            answer(None, reply)

    def _admit(self) -> bool:
        """Return True if one more page may be read now."""
        now_s = loop_s()
        back = (now_s - self._at_s) * BURST / EVERY_S
        self._tokens, self._at_s = min(float(BURST), self._tokens + back), now_s
        if self._tokens < 1:
            return False
        self._tokens -= 1
        return True


def _parsed(payload: bytes, is_admitted: bool) -> tuple[int, int, int]:  # noqa: FBT001 only here
    """Return since, until and step of a request, in ms.

    Raises:
        BadRequestError: it is none, or one too many.
    """
    if not is_admitted:
        raise BadRequestError(f"more than {BURST} pages a minute: ask again later")
    try:
        told = json.loads(payload) if len(payload) <= LONGEST else None
    except (ValueError, RecursionError):
        told = None
    if not isinstance(told, dict):
        raise BadRequestError(f"it is no JSON object of {LONGEST} bytes at most")
    limits = page_schema()["properties"]
    if unknown := [key for key in told if key not in limits]:
        known = ", ".join(limits)
        raise BadRequestError(f"{len(unknown)} unknown keys; known: {known}")
    told = {"step_s": ROWS_STEP_S, **told}
    since_ms, until_ms, step_ms = (_ms(key, told.get(key), limits) for key in limits)
    if until_ms < since_ms:
        raise BadRequestError("to_s is before from_s")
    return since_ms, until_ms, step_ms


def _ms(key: str, value: object, limits: Mapping[str, Any]) -> int:
    most = limits[key]["maximum"]
    is_number = isinstance(value, int | float) and not isinstance(value, bool)
    if not is_number or not 0 <= value <= most:  # type: ignore[operator]
        raise BadRequestError(f"{key} is no number of seconds from 0 to {most:g}")
    return round(value * 1000)  # type: ignore[operator]
