"""``$description`` of every device: Homie 5, "Device attributes". Pure."""

from __future__ import annotations

import zlib
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from tocsin.mqtt import properties as table
from tocsin.mqtt.payloads import document
from tocsin.mqtt.properties import Node

if TYPE_CHECKING:
    from collections.abc import Mapping

    from tocsin.core.site import Site
    from tocsin.mqtt.names import Names

HOMIE = "5.0"

Seen = tuple[int, int]
"""Cells and temperatures that a pack was seen to publish."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Device:
    """One device: its nodes, and whose it is."""

    id: str
    name: str
    kind: str
    nodes: tuple[Node, ...]
    children: tuple[str, ...] = ()
    root: str = ""

    def described(self) -> bytes:
        """Return the description; its version is a checksum of the rest."""
        told: dict[str, Any] = {"homie": HOMIE, "name": self.name, "type": self.kind}
        told |= {"children": list(self.children)} if self.children else {}
        told |= {"root": self.root} if self.root else {}
        told["nodes"] = {node.id: node.described() for node in self.nodes}
        return document({"version": zlib.crc32(document(told)), **told})


def devices(
    names: Names, site: Site, seen: Mapping[str, Seen], *, has_commands: bool
) -> tuple[Device, ...]:
    """Return the devices of a site, the daemon's first."""
    outputs = tuple(
        Node(id=names.outputs[each.name], name=each.name, properties=table.OUTPUT)
        for each in site.outputs
    )
    root = Device(
        id=names.root,
        name=site.name,
        kind="tocsin-site",
        nodes=(
            table.SERVICE,
            table.ALARM,
            table.BANK,
            table.EVENTS,
            *outputs,
            *((table.COMMAND,) if has_commands else ()),
        ),
        children=tuple(names.packs.values()),
    )
    packs = (
        Device(
            id=one,
            name=f"Pack {name}",
            kind="tocsin-pack",
            nodes=(
                table.PACK,
                *_measured(*seen.get(name, (0, 0))),
                *table.FORECASTS,
                table.SAMPLE,
            ),
            root=names.root,
        )
        for name, one in names.packs.items()
    )
    return (root, *packs)


def _measured(cells: int, temps: int) -> tuple[Node, ...]:
    of_cells = (table.cells(cells),) if cells else ()
    return (*of_cells, table.temperatures(temps)) if temps else of_cells
