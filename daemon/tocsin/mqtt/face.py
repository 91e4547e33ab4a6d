"""What one broker is shown of a site, and what it may ask. Pure, but for the asking."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Protocol

from tocsin.mqtt.commander import Commander
from tocsin.mqtt.memory import FILE
from tocsin.mqtt.names import Names
from tocsin.mqtt.picture import Painter

if TYPE_CHECKING:
    from collections.abc import Mapping
    from typing import Any

    from tocsin.core.engine import Outcome
    from tocsin.core.site import Site
    from tocsin.mqtt.around import Surroundings
    from tocsin.mqtt.commander import Answer
    from tocsin.mqtt.commands import Heard
    from tocsin.mqtt.messages import Message
    from tocsin.mqtt.picture import Picture
    from tocsin.ports import BrokerSpec


class Paints(Protocol):
    """Draws what the broker should keep."""

    @property
    def apart(self) -> frozenset[str]:
        """Return topics that are no part of a picture and are kept all the same."""
        ...

    def drawn(
        self, outcome: Outcome, snapshot: Mapping[str, Any], wall_ms: int
    ) -> Picture:
        """Return the picture of *outcome*, decided at the time of day *wall_ms*."""
        ...

    def beat(self, wall_ms: int) -> Message | None:
        """Return what says that the daemon decides, if that has a topic of its own."""
        ...


class Hears(Protocol):
    """Takes what is asked, and answers."""

    def take(self, heard: Heard) -> None:
        """Take a message; without room it is dropped."""
        ...

    def dropped(self, count: int) -> None:
        """Hear that messages had no room."""
        ...

    async def work(self, answer: Answer) -> None:
        """Answer one after the other, for ever."""
        ...


@dataclass(frozen=True, slots=True, kw_only=True)
class Face:
    """One broker's view of a site.

    Attributes:
        names: Ids and topics.
        painter: Draws what is kept there.
        hears: Who is given what comes on
        asks: this filter; empty where nothing may be asked.
        memory: The file's name that says what this broker has.
        slower: How many times as seldom its states are refreshed as at home.
        must_be_heard: Events that no subscriber gets count as not sent.
        may_be_left: Earlier configurations may have left other topics there.
    """

    names: Names
    painter: Paints
    hears: Hears
    asks: str = ""
    memory: str = FILE
    slower: int = 1
    must_be_heard: bool = False
    may_be_left: bool = True


def cabin(spec: BrokerSpec, site: Site, around: Surroundings) -> Face:
    """Return the whole public tree of *site*, and its commands."""
    names = Names.of_site(site, spec)
    return Face(
        names=names,
        painter=Painter(names, site, spec, is_commanded=spec.takes_commands),
        hears=Commander(names, around),
        asks=names.commands if spec.takes_commands else "",
    )
