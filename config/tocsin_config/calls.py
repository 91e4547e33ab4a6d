"""``[output.generator]`` and ``[output.heater]``: how a call is made."""

from __future__ import annotations

from typing import TYPE_CHECKING

from tocsin.core.hours import HOUR_MS, MINUTE_MS, Hours
from tocsin.core.plant import GeneratorPlan, HeaterPlan, InputRole, Skin
from tocsin.core.rules import Role, Unit
from tocsin_config.problems import suggestion

if TYPE_CHECKING:
    from collections.abc import Collection, Iterator

    from tocsin_config.call_models import GeneratorTable, HeaterTable
    from tocsin_config.findings import Findings
    from tocsin_config.models import OutputTable, SiteFile

CONFIRM_RATE = 0.02
"""A running set charges the bank with at least 0.02C; common practice, no source."""

JOULE_PER_KELVIN_AH = 19.2
"""Of one cell: 86 kJ a kelvin for 16 cells of 280 Ah, which weigh 86 kg, at
1 kJ/(kg K); calculated from these figures."""

WARMER_THAN_CUT_C = 3.0
FLOOR_SOC_PCT = 30.0
SKIN_LIMIT_C = 40.0
DUTY_MIN = (30.0, 10.0)
"""A heater warms 3 K above where charge is refused, not below 30 % of charge, to 40
degC on its own skin, or half an hour on and ten minutes off; common practice, no
source."""

OF_ROLE = {
    "generator": Role.GENERATOR_CALL,
    "heater": Role.HEATER_CALL,
    "self_test_at": Role.HORN,
    "self_test_days": Role.HORN,
}
"""Keys of an output that belong to one role."""

BESIDE = {"generator": ("min_on_s", "min_off_s"), "heater": ("min_on_s", "rules")}
"""Keys that a table of its own replaces."""


def time_ms(text: str) -> int:
    """Return ``07:30`` as ms since midnight."""
    hours, _, minutes = text.partition(":")
    return int(hours) * HOUR_MS + int(minutes) * MINUTE_MS


def hours(text: str | None) -> Hours | None:
    """Return ``22:00-07:00`` as hours; None for none, or if they are of no length."""
    if text is None:
        return None
    begin, _, end = text.partition("-")
    from_ms, to_ms = time_ms(begin), time_ms(end)
    return None if from_ms == to_ms else Hours(from_ms=from_ms, to_ms=to_ms)


def check_calls(
    i: int,
    table: OutputTable,
    file: SiteFile,
    rules: Collection[str],
    findings: Findings,
) -> None:
    """Tell what does not fit in the tables and times of output *i*."""
    for key, wrong, right in (*_misfits(table), *_unmet(table, file)):
        findings.tell(
            ("output", i, *key), wrong, right, needs=[("input",), ("timing",)]
        )
    generator = table.generator
    for j, name in enumerate((generator and generator.emergency) or ()):
        if name not in rules:
            path = ("output", i, "generator", "emergency", j)
            wrong, right = f"unknown rule {name!r}", suggestion(name, rules)
            findings.tell(path, wrong, right, needs=findings.nameless("rule"))


def _misfits(table: OutputTable) -> Iterator[tuple[tuple[str, ...], str, str]]:
    """Yield keys that do not go with the role, or not with each other."""
    for key, role in OF_ROLE.items():
        if getattr(table, key) is not None and table.role is not role:
            yield (key,), f"not for a {table.role}: only for a {role}", "leave it out"
    if table.self_test_days is not None and table.self_test_at is None:
        yield ("self_test_days",), "there is no self_test_at", "self_test_at as well"
    for plan, keys in BESIDE.items():
        for key in keys:
            if getattr(table, plan) is not None and getattr(table, key) is not None:
                right = f"what [output.{plan}] says instead"
                yield (key,), f"beside [output.{plan}]", right
    generator = table.generator
    if generator is not None and generator.min_run_min > generator.max_run_min:
        wrong = f"longer than max_run_min, {generator.max_run_min:g} min"
        yield ("generator", "min_run_min"), wrong, "less than max_run_min"
    if table.heater is not None:
        yield from _skin_misfits(table.heater)


def _skin_misfits(heater: HeaterTable) -> Iterator[tuple[tuple[str, ...], str, str]]:
    if heater.skin is None and heater.skin_limit_c is not None:
        yield ("heater", "skin_limit_c"), "there is no skin sensor", "skin as well"
    if heater.skin is not None:
        for key in ("duty_on_min", "duty_off_min"):
            if getattr(heater, key) is not None:
                wrong = "its skin sensor limits it"
                yield ("heater", key), wrong, "skin or duty times, not both"


def _unmet(
    table: OutputTable, file: SiteFile
) -> Iterator[tuple[tuple[str, ...], str, str]]:
    """Yield what an output needs elsewhere in the file."""
    skin = None if table.heater is None else table.heater.skin
    packs = [pack.name for pack in file.pack]
    if skin is not None and skin.partition("/")[0] not in packs:
        yield ("heater", "skin"), f"no pack of {skin!r}", suggestion(skin, packs)
    quiet, test_at = hours(file.timing.quiet_hours), table.self_test_at
    if test_at is not None and quiet is not None and quiet.cover(time_ms(test_at)):
        wrong = f"within the quiet hours, {file.timing.quiet_hours}"
        yield ("self_test_at",), wrong, "a time outside of them"
    if table.role is Role.GENERATOR_LOAD:
        if all(other.generator is None for other in file.output):
            wrong = "no generator-call with [output.generator] to carry it"
            yield ("role",), wrong, "such an output as well"
        if all(each.role is not InputRole.GENERATOR_RUNNING for each in file.input):
            wrong = "without load a set shows no charge, and nothing else says it runs"
            yield ("role",), wrong, "an [[input]] of role generator-running"


def generator_plan(table: GeneratorTable, bank_ah: float) -> GeneratorPlan:
    """Return the plan of a set beside a bank of *bank_ah*."""
    ms, mins = Unit.SECONDS.inside, Unit.MINUTES.inside
    confirm_a = bank_ah * CONFIRM_RATE if table.confirm_a is None else table.confirm_a
    return GeneratorPlan(
        start_delay_ms=ms(table.start_delay_s),
        confirm_ms=ms(table.confirm_s),
        confirm_ma=max(1, Unit.MA.inside(confirm_a)),
        tries=table.tries,
        pause_ms=ms(table.pause_s),
        warm_up_ms=ms(table.warm_up_s),
        cool_down_ms=ms(table.cool_down_s),
        min_run_ms=mins(table.min_run_min),
        max_run_ms=mins(table.max_run_min),
        min_rest_ms=mins(table.min_rest_min),
        emergency=frozenset(table.emergency or ()),
        returned_permille=Unit.PERMILLE.inside(table.stop_returned_pct),
        soc_permille=None
        if table.stop_soc_pct is None
        else Unit.PERMILLE.inside(table.stop_soc_pct),
        cell_mv=None
        if table.stop_cell_v is None
        else Unit.MV.inside(table.stop_cell_v),
        exercise_days=table.exercise_days,
        exercise_at_ms=time_ms(table.exercise_at),
        exercise_run_ms=mins(table.exercise_run_min),
    )


def heater_plan(
    table: HeaterTable, *, cells: int, bank_ah: float, cold_cut_c: float
) -> HeaterPlan:
    """Return the plan of a heater under *bank_ah* of packs of *cells* in series."""
    ah = bank_ah if table.heats_ah is None else table.heats_ah
    warm_c = (
        cold_cut_c + WARMER_THAN_CUT_C if table.warm_to_c is None else table.warm_to_c
    )
    floor_pct = table.floor_soc_pct
    if floor_pct is None and table.floor_min is None:
        floor_pct = FLOOR_SOC_PCT
    on_min, off_min = table.duty_on_min, table.duty_off_min
    mins = Unit.MINUTES.inside
    return HeaterPlan(
        watts=max(1, round(table.watts)),
        joule_per_kelvin=max(1, round(JOULE_PER_KELVIN_AH * cells * ah)),
        warm_to_dc=Unit.DC.inside(warm_c),
        charge_at_ms=None if table.charge_at is None else time_ms(table.charge_at),
        window_ms=mins(table.window_min),
        floor_permille=None if floor_pct is None else Unit.PERMILLE.inside(floor_pct),
        floor_ms=mins(table.floor_min or 0),
        skin=_skin(table),
        duty_on_ms=mins(DUTY_MIN[0] if on_min is None else on_min),
        duty_off_ms=mins(DUTY_MIN[1] if off_min is None else off_min),
    )


def _skin(table: HeaterTable) -> Skin | None:
    if table.skin is None:
        return None
    pack, _, sensor = table.skin.partition("/")
    limit_c = SKIN_LIMIT_C if table.skin_limit_c is None else table.skin_limit_c
    return Skin(pack=pack, sensor=int(sensor), limit_dc=Unit.DC.inside(limit_c))
