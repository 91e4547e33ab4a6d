"""What may stand for a person's eyes: a current that falls, a contact that is read.

Each kind of evidence is told every line of a step and says what it found.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Protocol

from tocsin.core.plant import InputRole
from tocsin.core.rules import Role

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from tocsin.core.plant import Input
    from tocsin.core.site import Output

LEFT_SHARE = 0.9
"""A current that keeps more than this share did not fall, as for shed loads."""

SMALLEST_A = 0.5
"""Below it a current's fall cannot be told from noise; common practice, no source."""


class Evidence(Protocol):
    """Something that shows an output's effect without a person.

    Attributes:
        found: What it was, in words; empty before.
    """

    found: str

    def see(self, line: Mapping[str, Any]) -> None:
        """Take one line of the step."""
        ...


@dataclass(slots=True)
class CurrentFall:
    """The bank's current, of the direction that the permit allows, fell after the pin.

    Attributes:
        sign: 1 for charge, -1 for discharge.
    """

    output: str
    sign: int
    before_a: float | None = None
    is_off: bool = False
    found: str = ""

    def see(self, line: Mapping[str, Any]) -> None:
        """Take the current before the pin moved, and compare what comes after."""
        if line.get("output") == self.output:
            self.is_off = not line["energised"]
        if line["kind"] != "current" or line["bank_a"] is None or self.found:
            return
        now_a = self.sign * line["bank_a"]
        if not self.is_off:
            self.before_a = now_a
        elif self.can_be_seen and now_a <= LEFT_SHARE * (self.before_a or 0):
            after_s = (line["after_ms"] or 0) / 1000
            self.found = (
                f"pack current fell from {self.before_a:.1f} A to "
                f"{max(0, now_a):.1f} A, {after_s:.1f} s after the crossing"
            )

    @property
    def can_be_seen(self) -> bool:
        """Return True if enough current flowed before."""
        return self.before_a is not None and self.before_a >= SMALLEST_A


@dataclass(slots=True)
class ReadBack:
    """A contact that follows the output was read at the commanded level, after the pin.

    Attributes:
        name: The input's.
        wanted: The level that the pin was last moved to; None before.
    """

    output: str
    name: str
    wanted: bool | None = None
    found: str = ""

    def see(self, line: Mapping[str, Any]) -> None:
        """Take the level that the pin was moved to, and wait for the contact's."""
        if line["kind"] == "pin" and line["output"] == self.output:
            self.wanted = line["energised"]
        if line["kind"] != "input" or line["input"] != self.name or self.found:
            return
        if self.wanted is not None and line["active"] is self.wanted:
            after_s = (line["after_ms"] or 0) / 1000
            level = "on" if self.wanted else "off"
            self.found = (
                f"{self.name} was read {level}, {after_s:.1f} s after the crossing"
            )


def evidence_for(output: Output, inputs: Sequence[Input]) -> list[Evidence]:
    """Return what could show the effect of *output* on a site with *inputs*."""
    found: list[Evidence] = [
        ReadBack(output.name, each.name)
        for each in inputs
        if each.role is InputRole.READ_BACK and each.output == output.name
    ]
    match output.role:
        case Role.CHARGE_PERMIT:
            found.append(CurrentFall(output.name, 1))
        case Role.LOAD_PERMIT:
            found.append(CurrentFall(output.name, -1))
        case _:
            pass
    return found
