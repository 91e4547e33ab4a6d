"""A connection to the broker that says nothing and ends at once: will it have us?"""

from __future__ import annotations

import asyncio
from contextlib import suppress
from dataclasses import replace
from typing import TYPE_CHECKING

from tocsin.mqtt.link import Link

if TYPE_CHECKING:
    from collections.abc import Sequence

    from tocsin.mqtt.commands import Heard
    from tocsin.ports import BrokerSpec

CLIENT_ID = "tocsin-doctor"
"""Never the daemon's: each of the two would throw the other out."""

ENDING_S = 1.0


class _Caller:
    """Waits for the first answer."""

    def __init__(self) -> None:
        self.said: asyncio.Future[str] = asyncio.get_running_loop().create_future()

    def connected(self) -> None:
        """Take the broker's yes."""
        self.failed("")

    def failed(self, reason: str) -> None:
        """Take the broker's no, or nobody's."""
        if not self.said.done():
            self.said.set_result(reason)

    def rebuilt(self) -> None:
        """Nothing was handed over."""

    def acknowledged(self, number: int, refusal: str) -> None:
        """Nothing was sent."""

    def deaf(self, reason: str) -> None:
        """Nothing was asked for."""

    def heard(self, messages: Sequence[Heard], dropped: int) -> None:
        """Nothing is listened to."""


async def knock(spec: BrokerSpec, *, within_s: float) -> str:
    """Connect as the site does, and leave; return why that failed, or nothing."""
    caller = _Caller()
    link = Link(
        replace(spec, client_id=""), client_id=CLIENT_ID, will=None, peer=caller
    )
    try:
        link.begin()
        with suppress(TimeoutError):
            async with asyncio.timeout(within_s):
                await caller.said
    except Exception as exc:  # noqa: BLE001 a file of the account, whatever is wrong with it
        caller.failed(str(exc) or type(exc).__name__)
    finally:
        await link.end(ENDING_S)
    is_told = caller.said.done() and not caller.said.cancelled()
    return caller.said.result() if is_told else f"no answer within {within_s:g} s"
