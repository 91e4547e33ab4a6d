"""Every check of one circuit, and of all circuits of a site."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from tocsin.core.circuit.cable import judge_cable, judge_fault, judge_fuse
from tocsin.core.circuit.contact import (
    judge_contact,
    judge_direction,
    judge_load_flyback,
)
from tocsin.core.circuit.copper import judge_drop, judge_volts
from tocsin.core.circuit.pins import judge_boot, judge_flyback, judge_pin, judge_rail

if TYPE_CHECKING:
    from collections.abc import Iterable

    from tocsin.core.circuit.finding import Finding
    from tocsin.core.circuit.model import Circuit
    from tocsin.core.circuit.pfd import Reliability
    from tocsin.core.rules import Role

CHECKS = (
    *(judge_boot, judge_pin, judge_flyback, judge_direction, judge_contact),
    *(
        judge_load_flyback,
        judge_fuse,
        judge_fault,
        judge_cable,
        judge_drop,
        judge_volts,
    ),
)
"""From the pin to the load, as on the wiring sheet."""


def judge(circuit: Circuit) -> tuple[Finding, ...]:
    """Return what every check that applies says of *circuit*."""
    found = (check(circuit) for check in CHECKS)
    return tuple(finding for finding in found if finding is not None)


@dataclass(frozen=True, slots=True, kw_only=True)
class Judged:
    """One output: what is stated of it and what is found; None where not stated."""

    output: str
    role: Role | None
    circuit: Circuit | None
    findings: tuple[Finding, ...]
    reliability: Reliability | None = None


def judge_all(
    stated: Iterable[tuple[str, Role, Circuit | None, Reliability | None]],
) -> tuple[tuple[Judged, ...], Finding | None]:
    """Return every output of a site, judged, and the finding of all pins together.

    *stated*: name, role, circuit and reliability of each.
    """
    every = tuple(
        Judged(
            output=name,
            role=role,
            circuit=circuit,
            findings=() if circuit is None else judge(circuit),
            reliability=chain,
        )
        for name, role, circuit, chain in stated
    )
    return every, judge_rail((each.output, each.circuit) for each in every)
