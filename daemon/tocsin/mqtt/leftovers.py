"""What earlier runs and configurations left at the broker. Pure.

The broker says what it keeps of our devices; the root's old description says which
packs it had; a file says the same where the broker may not be asked, and holds the
topics of announcements, which are of the integrator's making.
"""

from __future__ import annotations

import json
from dataclasses import dataclass
from typing import TYPE_CHECKING

from tocsin.mqtt.memory import Memory
from tocsin.mqtt.names import VERSION

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable

    from tocsin.mqtt.commands import Heard
    from tocsin.mqtt.events import Mark
    from tocsin.mqtt.names import Names


@dataclass(frozen=True, slots=True)
class Found:
    """Topics to remove, and filters to listen to as well."""

    topics: tuple[str, ...] = ()
    filters: tuple[str, ...] = ()


class Leftovers:
    """Finds them.

    Attributes:
        WAIT_S: So long after connecting we look: packs that answer late are no
            leftovers.
        LISTEN_S: So long we listen.
        is_shown_ours: The broker has shown us a topic of ours since it was asked.
    """

    WAIT_S = 10.0
    LISTEN_S = 10.0

    def __init__(self, names: Names, memory: Memory) -> None:
        self._names = names
        former = (each for each in memory.devices if each not in names.devices)
        self._former = dict.fromkeys(former, False)
        self._announced = dict.fromkeys(memory.announced)
        self.is_shown_ours = False

    @property
    def filters(self) -> tuple[str, ...]:
        """Return what to listen to."""
        devices = (*self._names.devices, *self._former)
        return (*self._names.kept(devices), *self._names.kept_of_old)

    @property
    def old_announcements(self) -> tuple[str, ...]:
        """Return topics of announcements that are not known to be removed."""
        return tuple(self._announced)

    def announced(self, topics: Iterable[str]) -> None:
        """Remember that these are announced now."""
        self._announced.update(dict.fromkeys(topics))

    def gone(self, topic: str) -> None:
        """Hear that *topic* was removed at the broker."""
        self._announced.pop(topic, None)

    def remembered(self, mark: Mark | None) -> Memory:
        """Return what the next run must know."""
        devices = (*self._names.devices, *self._former)
        return Memory(mark=mark, devices=devices, announced=tuple(self._announced))

    def swept(self) -> None:
        """Hear that the broker has told all it keeps."""
        self._former.clear()

    def found(self, heard: Heard, is_known: Callable[[str], bool]) -> Found:
        """Return what follows from a message that the broker keeps."""
        more: tuple[str, ...] = ()
        self.is_shown_ours = True
        if heard.topic == self._names.description(self._names.root):
            new = [d for d in _children(heard.payload) if self._is_new(d)]
            self._former.update(dict.fromkeys(new, False))
            more = self._names.kept(new)
        if is_known(heard.topic) or not self._is_ours(heard.topic):
            return Found((), more)
        device = heard.topic.removeprefix(self._names.topic("")).split("/")[0]
        if self._former.get(device) is not False:
            return Found((heard.topic,), more)
        # A device is removed by its state first (Homie 5, "Device lifecycle").
        self._former[device] = True
        return Found((self._names.state(device), heard.topic), more)

    def _is_new(self, device: str) -> bool:
        """Return True for a former child; never for another site's device."""
        return (
            device.startswith(f"{self._names.root}-")
            and "/" not in device
            and device not in self._names.devices
            and device not in self._former
        )

    def _is_ours(self, topic: str) -> bool:
        names = self._names
        if names.old and topic.startswith(f"{names.old}/"):
            return True
        own = (*names.devices, *self._former)
        domain, _, rest = topic.partition(f"/{VERSION}/")
        return domain == names.domain and rest.split("/")[0] in own


def _children(payload: bytes) -> list[str]:
    try:
        told = json.loads(payload)
    except (ValueError, RecursionError):
        return []
    children = told.get("children") if isinstance(told, dict) else None
    if not isinstance(children, list):
        return []
    return [each for each in children if isinstance(each, str)]
