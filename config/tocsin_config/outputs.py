"""``[[output]]`` tables: which keys go with which role, which pins clash."""

from __future__ import annotations

from typing import TYPE_CHECKING

from tocsin.core.rules import Role
from tocsin.core.site import Output
from tocsin.ports import PinSpec
from tocsin_config.problems import suggestion

if TYPE_CHECKING:
    from collections.abc import Collection

    from tocsin_config.findings import Findings
    from tocsin_config.models import OutputTable, SiteFile

MINIMUM_S = {
    Role.CHARGE_PERMIT: (0, 60),
    Role.LOAD_PERMIT: (0, 60),
    Role.GENERATOR_CALL: (1_800, 600),
    Role.HEATER_CALL: (60, 60),
    Role.HORN: (0, 0),
    Role.BEACON: (0, 0),
    Role.HEARTBEAT: (0, 0),
}
"""Shortest seconds (on, off) by role: a set runs 30 min at least and rests 10 min, a
contactor rests a minute; common practice, no source."""

HOLD_S = 300
CALLS = frozenset({Role.HORN, Role.BEACON, Role.GENERATOR_CALL, Role.HEATER_CALL})


def build_outputs(
    file: SiteFile, rules: Collection[str], findings: Findings
) -> tuple[tuple[Output, ...], tuple[PinSpec, ...]]:
    """Return outputs and pins; *rules* are all names that exist."""
    named = [(("output", i, "name"), t.name) for i, t in enumerate(file.output)]
    findings.twice(named, "the name is taken", "a name for each output")
    wired = [
        (("output", i, "pin"), t.pin)
        for i, t in enumerate(file.output)
        if t.pin is not None
    ]
    findings.twice(wired, "the pin is taken", "a pin for each output")
    for i, table in enumerate(file.output):
        _keys(i, table, findings)
        if file.gpio.pins == "lgpio" and table.pin is None:
            right = 'a pin such as "GPIO17"'
            findings.tell(("output", i, "pin"), "is missing", right, needs=[("gpio",)])
        for j, name in enumerate(table.rules or ()):
            if name not in rules:
                path = ("output", i, "rules", j)
                right = suggestion(name, rules)
                findings.tell(
                    path,
                    f"unknown rule {name!r}",
                    right,
                    needs=findings.nameless("rule"),
                )
    pins = tuple(
        PinSpec(output=t.name, role=t.role, pin=t.pin, active_low=t.active_low)
        for t in file.output
    )
    return tuple(map(_output, file.output)), pins


def _keys(i: int, table: OutputTable, findings: Findings) -> None:
    role = table.role
    is_load = role is Role.LOAD_PERMIT
    if is_load and table.stage is None:
        findings.tell(("output", i, "stage"), "is missing", "1 for what is shed first")
    misfits = {
        "stage": (not is_load, "only a load-permit has a stage"),
        "hold_s": (not is_load, "lost data holds only a load-permit"),
        "min_on_s": (role not in CALLS, "only a call has a shortest time on"),
        "min_off_s": (role is Role.HEARTBEAT, "a heartbeat never rests"),
        "rules": (role not in CALLS, "only a call has rules of its own"),
    }
    for key, (is_misfit, why) in misfits.items():
        if is_misfit and getattr(table, key) is not None:
            findings.tell(
                ("output", i, key), f"not for a {role}: {why}", "leave it out"
            )


def _output(table: OutputTable) -> Output:
    on_s, off_s = MINIMUM_S[table.role]
    return Output(
        name=table.name,
        role=table.role,
        stage=table.stage or 0,
        hold_ms=_ms(table.hold_s, HOLD_S),
        min_on_ms=_ms(table.min_on_s, on_s),
        min_off_ms=_ms(table.min_off_s, off_s),
        rules=frozenset(table.rules or ()),
    )


def _ms(given_s: float | None, default_s: float) -> int:
    return round((default_s if given_s is None else given_s) * 1_000)
