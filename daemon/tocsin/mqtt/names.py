"""Ids and topics of one site in Homie 5. Pure.

``<domain>/5/<device>/...``; ids are made of a to z, 0 to 9 and dashes.
"""

from __future__ import annotations

import hashlib
import re
import unicodedata
from dataclasses import dataclass, field
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Iterable

    from tocsin.core.site import Site
    from tocsin.ports import BrokerSpec

VERSION = "5"


def slug(name: str) -> str:
    """Return *name* as one id: lower-case letters, digits and dashes."""
    plain = unicodedata.normalize("NFKD", name).encode("ascii", "ignore").decode()
    words = re.sub(r"[^a-z0-9]+", "-", plain.lower()).strip("-")
    coded = hashlib.sha256(name.encode("utf-8", "surrogatepass")).hexdigest()[:8]
    return words or f"x-{coded}"


def ids(names: Iterable[str]) -> dict[str, str]:
    """Return an id for each name; no two names share one."""
    made: dict[str, str] = {}
    for name in dict.fromkeys(names):
        plain = slug(name)
        number, one = 1, plain
        while one in made.values():
            number += 1
            one = f"{plain}-{number}"
        made[name] = one
    return made


@dataclass(frozen=True, slots=True, kw_only=True)
class Names:
    """Ids of a site's devices and outputs.

    Attributes:
        domain: The first level of every topic.
        root: Id of the daemon's device.
        packs: Id of each pack's device, by the pack's name.
        outputs: Id of each output's node, by the output's name.
        old: First levels under which versions before Homie published this site.
    """

    domain: str
    root: str
    packs: dict[str, str] = field(default_factory=dict)
    outputs: dict[str, str] = field(default_factory=dict)
    old: str = ""

    @classmethod
    def of(
        cls,
        site: str,
        *,
        packs: Iterable[str],
        outputs: Iterable[str],
        domain: str = "homie",
        base: str = "",
    ) -> Names:
        """Return the names of a site."""
        root = slug(site)
        return cls(
            domain=domain,
            root=root,
            packs={name: f"{root}-{one}" for name, one in ids(packs).items()},
            outputs={name: f"output-{one}" for name, one in ids(outputs).items()},
            old=f"{base}/{root}" if base else "",
        )

    @classmethod
    def of_site(cls, site: Site, spec: BrokerSpec) -> Names:
        """Return the names of a site as it is told to a broker."""
        return cls.of(
            site.name,
            packs=[pack.name for pack in site.bank.packs],
            outputs=[output.name for output in site.outputs],
            domain=spec.domain,
            base=spec.base,
        )

    @property
    def devices(self) -> tuple[str, ...]:
        """Return every device id, the root's first."""
        return (self.root, *self.packs.values())

    def topic(self, device: str, *levels: str) -> str:
        """Return a topic of *device*."""
        return "/".join((self.domain, VERSION, device, *levels))

    def state(self, device: str) -> str:
        """Return where *device* says how it is."""
        return self.topic(device, "$state")

    def description(self, device: str) -> str:
        """Return where *device* says what it has."""
        return self.topic(device, "$description")

    @property
    def commands(self) -> str:
        """Return the filter of every command."""
        return self.topic(self.root, "command", "+", "set")

    @property
    def replies(self) -> str:
        """Return the only prefix under which a command may ask for an answer."""
        return f"reply/{self.root}/"

    def kept(self, devices: Iterable[str]) -> tuple[str, ...]:
        """Return filters of what earlier runs may have left of *devices*.

        Of exact depth, so that none covers a ``/set`` topic.
        """
        depths = (("+",), ("+", "+"), ("+", "+", "$target"))
        return tuple(self.topic(each, *d) for each in devices for d in depths)

    @property
    def kept_of_old(self) -> tuple[str, ...]:
        """Return filters of what versions before Homie left."""
        if not self.old:
            return ()
        return tuple(
            f"{self.old}/{each}"
            for each in ("availability", "snapshot", "alarms/+/+", "outputs/+")
        )
