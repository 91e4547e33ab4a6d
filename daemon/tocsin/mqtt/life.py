"""How a device tree comes to life on a connection: Homie 5, "Device lifecycle". Pure.

``init``, description, every value; then, once the broker has answered all of it, each
pack's own state and ``ready``. A description changes only while its device is ``init``,
so a change begins anew.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from tocsin.mqtt.messages import Message, lasting, state

if TYPE_CHECKING:
    from collections.abc import Iterable, Mapping

    from tocsin.mqtt.describe import Device
    from tocsin.mqtt.names import Names
    from tocsin.mqtt.outbox import Outbox

FRESH_S = 10.0
"""``ready`` is said only if the deciding loop was heard so lately."""


class Life:
    """The ``$state`` and ``$description`` topics of one site.

    Attributes:
        is_announced: The broker has all that ``ready`` promises.
    """

    def __init__(self, names: Names, outbox: Outbox, *, slower: int = 1) -> None:
        self._names = names
        self._slower = slower
        self._outbox = outbox
        self._told: dict[str, bytes] = {}
        self._lives: Mapping[str, str] = {}
        self._decided_s: float | None = None
        self.is_announced = False

    @property
    def own(self) -> tuple[str, ...]:
        """Return the topics that are this one's business."""
        return tuple(
            topic
            for device in self._names.devices
            for topic in (self._names.state(device), self._names.description(device))
        )

    def describe(self, devices: Iterable[Device]) -> bool:
        """Take the descriptions; return True if one of them has changed."""
        told = {each.id: each.described() for each in devices}
        if told == self._told:
            return False
        self._told = told
        return True

    def begin(self, now_s: float) -> None:
        """Announce everything, from the beginning."""
        self.is_announced = False
        for device in self._names.devices:
            self._say(device, "init", now_s)
            topic = self._names.description(device)
            self._outbox.put(lasting(topic, self._told[device]), now_s)
        self._outbox.begin(self.own)

    def proved(self, now_s: float) -> None:
        """Hear that the broker has answered all of it."""
        self.is_announced = True
        self.live(self._lives, now_s)
        if self._decided_s is not None and now_s - self._decided_s < FRESH_S:
            self._say(self._names.root, "ready", now_s)

    def live(self, lives: Mapping[str, str], now_s: float) -> None:
        """Take the state of each pack's device."""
        self._lives = lives
        if self.is_announced:
            for device, said in lives.items():
                self._say(device, said, now_s)

    def decided(self, now_s: float) -> None:
        """Hear that the daemon has decided; only this keeps ``ready`` alive."""
        self._decided_s = now_s
        if self.is_announced:
            self._say(self._names.root, "ready", now_s)

    def goodbye(self) -> list[Message]:
        """Return what is said before leaving, the root last."""
        devices = (*self._names.packs.values(), self._names.root)
        return [state(self._names.state(each), "disconnected") for each in devices]

    def _say(self, device: str, said: str, now_s: float) -> None:
        said_now = state(self._names.state(device), said, slower=self._slower)
        self._outbox.put(said_now, now_s)
