"""The whole of what the broker should keep, drawn anew from each outcome. Pure."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from tocsin import __version__
from tocsin.clock import iso_time
from tocsin.mqtt.announce import announced
from tocsin.mqtt.describe import Device, Seen, devices
from tocsin.mqtt.messages import STATE_AGAIN_S, STATE_EXPIRES_S, Message
from tocsin.mqtt.payloads import string
from tocsin.mqtt.tree import grown, seen

if TYPE_CHECKING:
    from collections.abc import Mapping

    from tocsin.core.engine import Outcome
    from tocsin.core.site import Site
    from tocsin.mqtt.names import Names
    from tocsin.ports import BrokerSpec


@dataclass(frozen=True, slots=True, kw_only=True)
class Picture:
    """What to publish of one outcome.

    Attributes:
        messages: By topic; without ``$state``, ``$description`` and what is kept apart.
        announcements: Those of them that are a hub's.
        lives: The ``$state`` of each pack's device.
        devices: What there is to describe.
        is_hurried: An alarm or an output has changed.
    """

    messages: Mapping[str, Message]
    announcements: Mapping[str, Message]
    lives: Mapping[str, str]
    devices: tuple[Device, ...]
    is_hurried: bool


class Painter:
    """Draws pictures of one site, and remembers what its packs were seen to say."""

    def __init__(
        self, names: Names, site: Site, spec: BrokerSpec, *, is_commanded: bool
    ) -> None:
        self._names = names
        self._site = site
        self._template = spec.announcement
        self._is_commanded = is_commanded
        self._seen: dict[str, Seen] | None = None
        self._devices: tuple[Device, ...] = ()
        self._announced: dict[str, Message] = {}
        self._decisive: object = None

    @property
    def _heartbeat(self) -> str:
        return self._names.topic(self._names.root, "service", "heartbeat")

    @property
    def apart(self) -> frozenset[str]:
        """Return topics that are no part of a picture and are kept all the same."""
        last = self._names.topic(self._names.root, "command", "last")
        return frozenset({self._heartbeat, last})

    def beat(self, wall_ms: int) -> Message:
        """Return what says when the daemon decided."""
        return Message(
            topic=self._heartbeat,
            payload=string(iso_time(wall_ms)),
            expires_s=STATE_EXPIRES_S,
            gap_s=STATE_AGAIN_S,
        )

    def drawn(
        self, outcome: Outcome, snapshot: Mapping[str, Any], wall_ms: int
    ) -> Picture:
        """Return the picture of *outcome*, decided at the time of day *wall_ms*."""
        self._look(outcome)
        tree = grown(self._names, self._site, outcome, snapshot, wall_ms=wall_ms)
        is_hurried = tree.decisive != self._decisive
        self._decisive = tree.decisive
        version = self._version()
        return Picture(
            messages={**tree.messages, **self._announced, version.topic: version},
            announcements=self._announced,
            lives=tree.lives,
            devices=self._devices,
            is_hurried=is_hurried,
        )

    def _look(self, outcome: Outcome) -> None:
        """Work out anew what there is, if a pack has told more than ever before."""
        now = seen(outcome, self._site, self._seen or {})
        if now == self._seen:
            return
        self._seen = now
        self._devices = devices(
            self._names, self._site, now, has_commands=self._is_commanded
        )
        if self._template is not None:
            self._announced = announced(self._template, self._names, self._devices)

    def _version(self) -> Message:
        return Message(
            topic=self._names.topic(self._names.root, "service", "version"),
            payload=string(__version__),
            expires_s=STATE_EXPIRES_S,
            again_s=STATE_AGAIN_S,
        )
