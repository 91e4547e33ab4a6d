"""Pins that drive nothing, for rehearsals and for sites without hardware yet."""

from __future__ import annotations

from typing import TYPE_CHECKING

from tocsin.core.plant import InputRole
from tocsin.core.rules import Role

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping, Sequence

    from tocsin.core.events import Demand
    from tocsin.ports import DriverError, InputSpec, PinSpec


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


class SimulatedInputs:
    """Inputs that are turned by name; a read-back says nothing before it is.

    Attributes:
        levels: Of each input now: True while active, or why it cannot be read.
        is_closed: Every input was released.
    """

    def __init__(self, inputs: Sequence[InputSpec]) -> None:
        self._names = {each.input for each in inputs}
        self.levels: dict[str, bool | DriverError] = {
            each.input: False for each in inputs if each.role is not InputRole.READ_BACK
        }
        self.is_closed = False
        self._tell: Callable[[str, bool], None] = lambda *_: None

    def turn(self, name: str, level: bool | DriverError) -> None:  # noqa: FBT001 it is what it says
        """Set an input as a hand would, or break its wire.

        Raises:
            KeyError: there is no input of that name.
        """
        if name not in self._names:
            raise KeyError(name)
        self.levels[name] = level
        if isinstance(level, bool):
            self._tell(name, level)

    def read(self) -> Mapping[str, bool | DriverError]:
        """Return every level."""
        return dict(self.levels)

    def listen(self, tell: Callable[[str, bool], None]) -> None:
        """Call *tell* at every turn."""
        self._tell = tell

    def close(self) -> None:
        """Fall silent."""
        self._tell = lambda *_: None
        self.is_closed = True


def build_inputs(inputs: Sequence[InputSpec]) -> SimulatedInputs:
    """Return one simulated input each, none of them active."""
    return SimulatedInputs(inputs)
