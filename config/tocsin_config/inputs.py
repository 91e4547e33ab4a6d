"""``[[input]]`` tables: which keys go with which role, which pins clash."""

from __future__ import annotations

from typing import TYPE_CHECKING

from tocsin.core.plant import Input, InputRole
from tocsin.core.rules import Role
from tocsin.ports import InputSpec
from tocsin_config.problems import suggestion

if TYPE_CHECKING:
    from collections.abc import Iterator

    from tocsin_config.call_models import InputTable
    from tocsin_config.findings import Findings
    from tocsin_config.models import SiteFile

MUTE_MIN = 60
"""How long maintenance keeps the horn quiet; common practice, no source."""


def build_inputs(
    file: SiteFile, findings: Findings
) -> tuple[tuple[Input, ...], tuple[InputSpec, ...]]:
    """Return what the core may know of the inputs, and their pins."""
    named = [(("input", i, "name"), t.name) for i, t in enumerate(file.input)]
    findings.twice(named, "the name is taken", "a name for each input")
    _clashes(file, findings)
    for i, table in enumerate(file.input):
        for key, wrong, right in _misfits(table, file):
            findings.tell(
                ("input", i, key), wrong, right, needs=findings.nameless("output")
            )
        if file.gpio.pins == "lgpio" and table.pin is None:
            right = 'a pin such as "GPIO5"'
            findings.tell(("input", i, "pin"), "is missing", right, needs=[("gpio",)])
    specs = tuple(
        InputSpec(
            input=t.name,
            role=t.role,
            pin=t.pin,
            active_low=t.active_low,
            pull=t.pull or _pull(t),
        )
        for t in file.input
    )
    return tuple(map(_input, file.input)), specs


def _pull(table: InputTable) -> str:
    """Return the pull that makes an open wire idle, or lock a generator out."""
    is_idle_high = table.active_low is not (table.role is InputRole.GENERATOR_LOCKOUT)
    return "up" if is_idle_high else "down"


def _clashes(file: SiteFile, findings: Findings) -> None:
    """Tell every pin of an input that an output or an earlier input has."""
    taken = {table.pin for table in file.output if table.pin is not None}
    pins = [
        (("input", i, "pin"), table.pin)
        for i, table in enumerate(file.input)
        if table.pin is not None
    ]
    findings.twice(pins, "the pin is taken", "a pin for each input")
    for path, pin in pins:
        if pin in taken:
            findings.tell(path, f"{pin} drives an output", "a pin of its own")


def _misfits(table: InputTable, file: SiteFile) -> Iterator[tuple[str, str, str]]:
    is_back = table.role is InputRole.READ_BACK
    if table.output is not None and not is_back:
        yield (
            "output",
            f"not for {table.role}: only a read-back has one",
            "leave it out",
        )
    if is_back:
        names = [t.name for t in file.output]
        if table.output is None:
            yield "output", "is missing", suggestion("", names)
        elif table.output not in names:
            wrong = f"unknown output {table.output!r}"
            yield "output", wrong, suggestion(table.output, names)
        elif Role.HEARTBEAT in {t.role for t in file.output if t.name == table.output}:
            yield "output", "a heartbeat is never still", "another output"
    if table.max_min is not None and table.role is not InputRole.MAINTENANCE:
        why = f"not for {table.role}: only a maintenance switch is timed"
        yield "max_min", why, "leave it out"


def _input(table: InputTable) -> Input:
    mute_min = MUTE_MIN if table.max_min is None else table.max_min
    return Input(
        name=table.name,
        role=table.role,
        output=table.output or "",
        debounce_ms=table.debounce_ms,
        mute_ms=round(mute_min * 60_000),
    )
