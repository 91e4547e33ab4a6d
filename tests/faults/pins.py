"""Pins as the wires show them: every level over time, writes that fail, inputs."""

from __future__ import annotations

from typing import TYPE_CHECKING

from tocsin.core.plant import InputRole
from tocsin.core.rules import Role
from tocsin.ports import DriverError

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping

    from tests.faults.tally import Tally

    from tocsin.core.events import Demand
    from tocsin_config import Setup


class Pins:
    """The relays of one machine; they fall when the process dies.

    Attributes:
        wanted: Levels that the daemon last asked for.
        levels: Levels on the wires.
        stuck: Outputs whose writes fail now.
        on_hold: Called before and after the daemon holds its levels.
    """

    def __init__(self, setup: Setup, tally: Tally) -> None:
        self._tally = tally
        self._hearts = [p.output for p in setup.pins if p.role is Role.HEARTBEAT]
        self.wanted = {pin.output: False for pin in setup.pins}
        self.levels = dict(self.wanted)
        self.stuck: set[str] = set()
        self.is_dead, self.is_closing = True, False
        self.on_hold: Callable[[Mapping[str, bool]], None] = lambda _: None
        self.on_beat: Callable[[], None] = lambda: None

    def claim(self) -> Pins:
        """Begin a run: every line is claimed de-energised."""
        self.fall()
        self.is_dead = self.is_closing = False
        return self

    def fall(self) -> None:
        """Let go of every line: pull resistors hold them off."""
        self.wanted = dict.fromkeys(self.wanted, False)
        self.levels = dict(self.wanted)

    def hold(self, demands: tuple[Demand, ...]) -> None:
        """Take the daemon's levels; see `tocsin.ports.Outputs`."""
        if self.is_dead:
            return
        wanted = {d.output: d.energised for d in demands}
        self.on_hold(wanted)
        failed = [each for each in wanted if each in self.stuck]
        self.wanted.update(wanted)
        for name, level in wanted.items():
            if name not in self.stuck:
                self.levels[name] = level
        self._complain(failed)

    def beat(self) -> None:
        """Toggle the heartbeats."""
        if self.is_dead:
            return
        self.on_beat()
        for heart in self._hearts:
            if heart not in self.stuck:
                self.levels[heart] = not self.levels[heart]
        self._complain([heart for heart in self._hearts if heart in self.stuck])

    def close(self) -> None:
        """De-energise all."""
        if not self.is_dead:
            self.is_closing = True
            self.on_hold(dict.fromkeys(self.wanted, False))
            self.fall()

    def _complain(self, failed: list[str]) -> None:
        if failed:
            self._tally.faults["relay write error"] += len(failed)
            raise DriverError(", ".join(f"{each}: I/O error" for each in failed))


class Inputs:
    """Buttons, switches and contacts.

    Attributes:
        levels: Of each input: its level, or a reason why it cannot be read.
        lying: Read-backs that show the opposite of their output.
    """

    def __init__(self, setup: Setup, pins: Pins, tally: Tally) -> None:
        self._pins = pins
        self._tally = tally
        self._follows = {
            each.name: each.output
            for each in setup.site.inputs
            if each.role is InputRole.READ_BACK
        }
        self.levels: dict[str, bool | str] = {
            each.name: False for each in setup.site.inputs
        }
        self.lying: set[str] = set()
        self._tell: Callable[[str, bool], None] = lambda *_: None

    def read(self) -> Mapping[str, bool | DriverError]:
        """Return every level; see `tocsin.ports.Inputs`."""
        seen: dict[str, bool | DriverError] = {}
        for name, level in self.levels.items():
            output = self._follows.get(name)
            if isinstance(level, str):
                seen[name] = DriverError(level)
            elif output is None:
                seen[name] = level
            else:
                lies = name in self.lying
                self._tally.faults["read-back mismatch"] += lies
                seen[name] = self._pins.levels[output] is not lies
        return seen

    def listen(self, tell: Callable[[str, bool], None]) -> None:
        """Tell of edges."""
        self._tell = tell

    def turn(self, name: str, level: bool) -> None:  # noqa: FBT001 it is what it says
        """Let a contact change, with its edge."""
        self.levels[name] = level
        self._tell(name, level)

    def close(self) -> None:
        """Fall silent."""
        self._tell = lambda *_: None

    def follow(self) -> None:
        """Show edges of read-backs whose outputs have changed."""
        for name, output in self._follows.items():
            if not isinstance(self.levels[name], str):
                level = self._pins.levels[output] is not (name in self.lying)
                if self.levels[name] is not level:
                    self.turn(name, level)
