"""Which rules move which output."""

from __future__ import annotations

from typing import TYPE_CHECKING

from tocsin.core.rules import Priority, Role, Rule

if TYPE_CHECKING:
    from collections.abc import Iterable

    from tocsin.core.site import Output

ALERTS = frozenset({Role.HORN, Role.BEACON})


def drives(rule: Rule, output: Output) -> bool:
    """Return True if *rule*, once active, can move *output*.

    Horns and beacons heed every rule of medium or high priority, or their own list.
    A stage of loads drops with every later one.
    """
    if output.rules:
        return rule.name in output.rules
    if output.heater is not None or output.role is Role.GENERATOR_LOAD:
        return False
    if output.role in ALERTS:
        return rule.priority is not Priority.LOW
    if output.role is Role.LOAD_PERMIT:
        return any(
            action.role is Role.LOAD_PERMIT
            and (action.stage == 0 or action.stage >= output.stage)
            for action in rule.actions
        )
    return any(action.role is output.role for action in rule.actions)


def driven_by(output: Output, rules: Iterable[Rule]) -> tuple[str, ...]:
    """Return the names of the rules that can move *output*, in their order."""
    return tuple(rule.name for rule in rules if drives(rule, output))
