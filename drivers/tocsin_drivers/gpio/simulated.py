"""Pins that drive nothing, for rehearsals and for sites without hardware yet."""

from __future__ import annotations

from typing import TYPE_CHECKING

from tocsin.core.rules import Role

if TYPE_CHECKING:
    from collections.abc import Sequence

    from tocsin.core.events import Demand
    from tocsin.ports import PinSpec


class SimulatedOutputs:
    """Remembers levels.

    Attributes:
        levels: Of each output now, True while energised.
        is_closed: Every output was released, de-energised.
    """

    def __init__(self, pins: Sequence[PinSpec]) -> None:
        self.levels = {pin.output: False for pin in pins}
        self.is_closed = False
        self._hearts = [pin.output for pin in pins if pin.role is Role.HEARTBEAT]

    def hold(self, demands: tuple[Demand, ...]) -> None:
        """Remember every demanded level."""
        for demand in demands:
            self.levels[demand.output] = demand.energised

    def beat(self) -> None:
        """Toggle every heartbeat output."""
        for heart in self._hearts:
            self.levels[heart] = not self.levels[heart]

    def close(self) -> None:
        """De-energise everything."""
        self.levels = dict.fromkeys(self.levels, False)
        self.is_closed = True


def build(pins: Sequence[PinSpec]) -> SimulatedOutputs:
    """Return one simulated pin an output, all de-energised."""
    return SimulatedOutputs(pins)
