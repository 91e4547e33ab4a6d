"""What a fleet is told of one site each minute: the few things that decide. Pure."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from tocsin import __version__
from tocsin.clock import iso_time
from tocsin.core.alarm import HIDDEN
from tocsin.core.rules import Priority
from tocsin.mqtt.describe import Device
from tocsin.mqtt.messages import Message
from tocsin.mqtt.payloads import document
from tocsin.mqtt.picture import Picture
from tocsin.mqtt.properties import EVENTS
from tocsin.mqtt.uplink_nodes import FLEET, PAGES

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from tocsin.core.engine import Outcome
    from tocsin.core.site import Site
    from tocsin.mqtt.names import Names

EVERY_S, EXPIRES_S = 60, 200
MOST_ALARMS = 20

RANK = [priority.value for priority in Priority]
"""From low to high."""


class Summarist:
    """Draws one site for a fleet, once a minute.

    Args:
        names: Ids and topics.
        site: The site.
        epoch: The run's own name, as in events.
        gives_history: Pages of the history may be asked for.
    """

    def __init__(
        self, names: Names, site: Site, *, epoch: str, gives_history: bool
    ) -> None:
        self._topic = names.topic(names.root, FLEET.id, "summary")
        self._site = site
        self._epoch = epoch
        self._seq = 0
        self._drawn: tuple[int, Message] | None = None
        nodes = (FLEET, EVENTS, *((PAGES,) if gives_history else ()))
        device = Device(
            id=names.root, name=site.name, kind="tocsin-uplink", nodes=nodes
        )
        self._devices = (device,)

    @property
    def apart(self) -> frozenset[str]:
        """Return nothing: all that is kept is in the picture."""
        return frozenset()

    def beat(self, wall_ms: int) -> None:
        """Return nothing: ``$state`` and the summary say it, and cost less."""
        del wall_ms

    def drawn(
        self, outcome: Outcome, snapshot: Mapping[str, Any], wall_ms: int
    ) -> Picture:
        """Return the picture; the same one for a minute."""
        now_ms = outcome.state.now_ms
        if self._drawn is None or now_ms - self._drawn[0] >= EVERY_S * 1000:
            self._seq += 1
            told = {"epoch": self._epoch, "seq": self._seq}
            told |= summary(self._site, outcome, snapshot, wall_ms=wall_ms)
            message = Message(
                topic=self._topic, payload=document(told), expires_s=EXPIRES_S
            )
            self._drawn = now_ms, message
        newest = self._drawn[1]
        return Picture(
            messages={newest.topic: newest},
            announcements={},
            lives={},
            devices=self._devices,
            is_hurried=False,
        )


def summary(
    site: Site, outcome: Outcome, snapshot: Mapping[str, Any], *, wall_ms: int
) -> dict[str, Any]:
    """Return what a fleet is told of *outcome*, of which *snapshot* was made.

    Voltages in V, currents in A (positive while charging), temperatures in degC, times
    ahead in minutes. What is not known is null. ``alarms`` are the worst that are
    raised, ``alarm_count`` counts all of them.
    """
    hidden = {state.value for state in HIDDEN}
    raised = [
        told
        for told in snapshot["alarms"]
        if told["state"] not in hidden and not told.get("proving")
    ]
    raised.sort(key=lambda told: RANK.index(told["priority"]), reverse=True)
    keys = ("alarm", "state", "priority", "subject", "since")
    due_ms = outcome.state.bank.proof_due_ms
    to_wall_ms = wall_ms - outcome.state.now_ms
    return {
        "at": iso_time(wall_ms),
        "name": site.name,
        "version": __version__,
        "low": _low(snapshot["forecasts"]),
        "alarm_count": len(raised),
        "alarms": [{key: told[key] for key in keys} for told in raised[:MOST_ALARMS]],
        "packs": [_pack(told) for told in snapshot["packs"]],
        "outputs": [
            {key: told[key] for key in ("output", "role", "energised")}
            for told in snapshot["outputs"]
        ],
        "maintenance": snapshot["maintenance"] is not None,
        "proof_due": None if due_ms is None else iso_time(to_wall_ms + due_ms),
    }


def _low(forecasts: Sequence[Mapping[str, Any]]) -> dict[str, Any] | None:
    """Return the soonest low cut-off that is foretold within a day; null for none."""
    told = [
        each
        for each in forecasts
        if each["limit"] == "low" and each["likely_s"] is not None
    ]
    if not told:
        return None
    soonest = min(told, key=lambda each: each["likely_s"])
    times = {
        f"{name}_min": None if (s := soonest[f"{name}_s"]) is None else round(s / 60, 1)
        for name in ("early", "likely", "late")
    }
    return {"subject": soonest["subject"], **times}


def _pack(told: Mapping[str, Any]) -> dict[str, Any]:
    cells, temps = told["cells_v"], told["temps_c"]
    return {
        **{key: told[key] for key in ("name", "online", "age_s")},
        **{key: told[key] for key in ("voltage_v", "current_a", "soc_pct")},
        "lowest_cell_v": min(cells, default=None),
        "highest_cell_v": max(cells, default=None),
        "coldest_c": min(temps, default=None),
        "hottest_c": max(temps, default=None),
    }
