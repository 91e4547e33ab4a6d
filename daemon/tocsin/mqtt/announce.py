"""Announcements in the shape that an integrator's template gives them. Pure."""

from __future__ import annotations

import json
import re
from typing import TYPE_CHECKING, Any

from tocsin.mqtt.describe import devices
from tocsin.mqtt.messages import Message, lasting
from tocsin.mqtt.names import Names
from tocsin.mqtt.properties import Datatype

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator, Mapping

    from tocsin.core.site import Site
    from tocsin.mqtt.describe import Device
    from tocsin.mqtt.properties import Node, Property
    from tocsin.ports import Announcement, BrokerSpec

_HOLE = re.compile(r"\{([a-z_]+)\}")

Filling = dict[str, str | int | None]
"""What each placeholder of one value stands for; None where it has nothing."""


def announced(
    template: Announcement, names: Names, of: Iterable[Device]
) -> dict[str, Message]:
    """Return one retained message a value, by topic."""
    made = (
        lasting(_filled(template.topic, each), _encoded(template.body, each))
        for each in fillings(names, of)
    )
    return {message.topic: message for message in made}


def would_announce(spec: BrokerSpec, site: Site) -> dict[str, Message]:
    """Return what would be announced of *site* before any pack was heard.

    Cells are those of the site file; temperatures are not known yet.
    """
    if spec.announcement is None:
        return {}
    names = Names.of_site(site, spec)
    expected = {pack.name: (pack.cells, 0) for pack in site.bank.packs}
    made = devices(names, site, expected, has_commands=spec.takes_commands)
    return announced(spec.announcement, names, made)


def fillings(names: Names, of: Iterable[Device]) -> Iterator[Filling]:
    """Yield what the placeholders of every value stand for."""
    for device in of:
        for node in device.nodes:
            for value in node.properties:
                yield _filling(names, device, node, value)


def _filling(names: Names, device: Device, node: Node, of: Property) -> Filling:
    topic = names.topic(device.id, node.id, of.id)
    is_number = of.datatype in {Datatype.FLOAT, Datatype.INTEGER}
    return {
        "id": f"{device.id}-{node.id}-{of.id}",
        "name": f"{device.name} {node.name} {of.name}",
        "value_topic": None if of.is_settable else topic,
        "availability_topic": names.state(device.id),
        "unit": of.unit or None,
        "datatype": of.datatype.value,
        "quantity": of.quantity or None,
        "precision": of.decimals if is_number else None,
        "command_topic": f"{topic}/set" if of.is_settable else None,
    }


def _filled(text: str, holes: Mapping[str, str | int | None]) -> str:
    def put(match: re.Match[str]) -> str:
        value = holes[match[1]]
        return "" if value is None else str(value)

    return _HOLE.sub(put, text)


def _encoded(body: Any, holes: Filling) -> bytes:  # noqa: ANN401 any JSON value
    return json.dumps(_put(body, holes), ensure_ascii=False).encode()


def _put(body: Any, holes: Filling) -> Any:  # noqa: ANN401 any JSON value
    """Return *body* filled in; a member that is one empty placeholder is left out."""
    match body:
        case str():
            whole = _HOLE.fullmatch(body)
            return holes[whole[1]] if whole else _filled(body, holes)
        case dict():
            made = {key: _put(value, holes) for key, value in body.items()}
            return {k: v for k, v in made.items() if v is not None or body[k] is None}
        case list():
            return [_put(value, holes) for value in body]
        case _:
            return body
