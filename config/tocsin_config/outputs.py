"""``[[output]]`` tables: which keys go with which role, which pins clash."""

from __future__ import annotations

from typing import TYPE_CHECKING

from tocsin.core.rules import Role
from tocsin.core.site import Output
from tocsin.ports import PinSpec
from tocsin_config.calls import check_calls, generator_plan, heater_plan, time_ms
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
    Role.GENERATOR_LOAD: (0, 0),
    Role.HEARTBEAT: (0, 0),
}
"""Shortest seconds (on, off) by role: a set runs 30 min at least and rests 10 min, a
contactor rests a minute; common practice, no source."""

HOLD_S = 300
CALLS = frozenset({Role.HORN, Role.BEACON, Role.GENERATOR_CALL, Role.HEATER_CALL})


def build_outputs(
    file: SiteFile, rules: Collection[str], findings: Findings, *, cold_cut_c: float
) -> tuple[tuple[Output, ...], tuple[PinSpec, ...]]:
    """Return outputs and pins; *rules* are all names that exist.

    *cold_cut_c* is where the battery's own protection refuses charge.
    """
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
        check_calls(i, table, file, rules, findings)
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
    return tuple(_output(table, file, cold_cut_c) for table in file.output), pins


def _keys(i: int, table: OutputTable, findings: Findings) -> None:
    role = table.role
    is_load = role is Role.LOAD_PERMIT
    if is_load and table.stage is None:
        findings.tell(("output", i, "stage"), "is missing", "1 for what is shed first")
    misfits = {
        "stage": (not is_load, "only a load-permit has a stage"),
        "hold_s": (not is_load, "lost data holds only a load-permit"),
        "min_on_s": (role not in CALLS, "only a call has a shortest time on"),
        "min_off_s": (
            role in {Role.HEARTBEAT, Role.GENERATOR_LOAD},
            "it follows what it belongs to",
        ),
        "rules": (role not in CALLS, "only a call has rules of its own"),
    }
    for key, (is_misfit, why) in misfits.items():
        if is_misfit and getattr(table, key) is not None:
            findings.tell(
                ("output", i, key), f"not for a {role}: {why}", "leave it out"
            )


def _output(table: OutputTable, file: SiteFile, cold_cut_c: float) -> Output:
    on_s, off_s = map(float, MINIMUM_S[table.role])
    strings = {pack.string or pack.name for pack in file.pack}
    generator = heater = None
    if table.generator is not None:
        bank_ah = file.bank.capacity_ah * len(strings)
        generator = generator_plan(table.generator, bank_ah)
        on_s, off_s = 0, table.generator.pause_s
    if table.heater is not None:
        heater = heater_plan(
            table.heater,
            cells=file.bank.cells_in_series,
            bank_ah=file.bank.capacity_ah * len(file.pack),
            cold_cut_c=cold_cut_c,
        )
        on_s = 0
    test_at = table.self_test_at
    return Output(
        name=table.name,
        role=table.role,
        stage=table.stage or 0,
        hold_ms=_ms(table.hold_s, HOLD_S),
        min_on_ms=_ms(table.min_on_s, on_s),
        min_off_ms=_ms(table.min_off_s, off_s),
        rules=frozenset(table.rules or ()),
        generator=generator,
        heater=heater,
        rated_operations=table.rated_operations or 0,
        test_at_ms=None if test_at is None else time_ms(test_at),
        test_days=table.self_test_days or 1,
    )


def _ms(given_s: float | None, default_s: float) -> int:
    return round((default_s if given_s is None else given_s) * 1_000)
