"""What the daemon asks of a fleet of sites; the rest of its ports are in `ports`."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from tocsin.ports import BrokerSpec


@dataclass(frozen=True, slots=True, kw_only=True)
class FleetSpec:
    """A second broker, that of a fleet of sites.

    Attributes:
        broker: Spoken to in MQTT 5, and never obeyed.
        name: What the fleet calls the site; empty for the site's own id.
        gives_history: Pages of the history may be asked for.
    """

    broker: BrokerSpec
    name: str = ""
    gives_history: bool = False
