"""A rule as people write it, in a preset or in a site file."""

from __future__ import annotations

from typing import Annotated

from pydantic import Field

from tocsin.core.rules import Measure, Priority
from tocsin_config.fields import Table, choice, name_field, optional

_V = {"ge": 0, "le": 2_000}
_C = {"ge": -100, "le": 200}
_RATE = {"ge": 0, "le": 100}
_A = {"ge": 0, "le": 100_000}
_S = {"ge": 0, "le": 31_536_000}
_MIN = {"ge": 0, "le": 1_440}
_LEADS = {"ge": 0, "le": 100}
_DAYS = {"ge": -3_650, "le": 3_650}
_PCT = {"ge": 0, "le": 1_000}
_COUNT = {"ge": 0, "le": 1_000}

VOLTS = "volts, such as 3.60"
DEGREES = "degrees Celsius, such as 5.0"
RATE = "a multiple of 1C of one pack, such as 0.5"
AMPERES = "amperes, such as 140"
SECONDS = "seconds, such as 30"
MINUTES = "minutes, such as 15"
LEADS = "a multiple of the site's lead_min, such as 1.0"
DAYS = "days, such as 14"
PERCENT = "percent, such as 30"
COUNT = "a whole number, such as 1"
PER_CELL = "millivolts for each cell of the pack, such as 30"


class GateTable(Table):
    """A rule counts only while another measure of the same pack is in bounds."""

    measure: Annotated[Measure, Field(strict=False)] = choice(
        "measure", Measure, examples=["highest-cell"]
    )
    at_least_v: float | None = optional(VOLTS, **_V)
    at_most_v: float | None = optional(VOLTS, **_V)
    at_least_degc: float | None = optional(DEGREES, **_C)
    at_most_degc: float | None = optional(DEGREES, **_C)
    at_least_rate: float | None = optional(RATE, **_RATE)
    at_most_rate: float | None = optional(RATE, **_RATE)
    at_least_a: float | None = optional(AMPERES, **_A)
    at_most_a: float | None = optional(AMPERES, **_A)


class RuleTable(Table):
    """``[[rule]]``: with the name of a preset's rule it overrides single fields.

    ``above_low_cut_v`` and ``below_high_cut_v`` keep a limit that far ahead of the
    site's own protector; ``not_below_cold_cut`` keeps a cold limit at or above it.
    """

    name: str = name_field("low-cell")
    measure: Annotated[Measure, Field(strict=False)] | None = choice(
        "measure", Measure, default=None
    )
    enabled: bool = optional("true or false", default=True)
    priority: Annotated[Priority, Field(strict=False)] | None = choice(
        "priority", Priority, default=None
    )
    trip_v: float | None = optional(VOLTS, **_V)
    clear_v: float | None = optional(VOLTS, **_V)
    trip_degc: float | None = optional(DEGREES, **_C)
    clear_degc: float | None = optional(DEGREES, **_C)
    trip_rate: float | None = optional(RATE, **_RATE)
    clear_rate: float | None = optional(RATE, **_RATE)
    trip_a: float | None = optional(AMPERES, **_A)
    clear_a: float | None = optional(AMPERES, **_A)
    trip_s: float | None = optional(SECONDS, **_S)
    clear_s: float | None = optional(SECONDS, **_S)
    trip_min: float | None = optional(MINUTES, **_MIN)
    clear_min: float | None = optional(MINUTES, **_MIN)
    trip_leads: float | None = optional(LEADS, **_LEADS)
    clear_leads: float | None = optional(LEADS, **_LEADS)
    trip_days: float | None = optional(DAYS, **_DAYS)
    clear_days: float | None = optional(DAYS, **_DAYS)
    trip_pct: float | None = optional(PERCENT, **_PCT)
    clear_pct: float | None = optional(PERCENT, **_PCT)
    trip_count: int | None = optional(COUNT, **_COUNT)
    clear_count: int | None = optional(COUNT, **_COUNT)
    trip_mv_per_cell: float | None = optional(PER_CELL, **_V)
    clear_mv_per_cell: float | None = optional(PER_CELL, **_V)
    above_low_cut_v: float | None = optional(VOLTS, **_V)
    below_high_cut_v: float | None = optional(VOLTS, **_V)
    not_below_cold_cut: bool = optional("true or false", default=False)
    on_delay_s: float = optional(SECONDS, 0.0, **_S)
    off_delay_s: float = optional(SECONDS, 0.0, **_S)
    realarm_s: float = optional(SECONDS, 0.0, **_S)
    max_shelve_s: float = optional(SECONDS, 43_200.0, **_S)
    actions: Annotated[tuple[str, ...], Field(strict=False)] = optional(
        'a list such as ["charge-permit", "load-permit/1"]', ()
    )
    gate: GateTable | None = optional(
        'a table such as { measure = "highest-cell", at_least_v = 3.40 }'
    )
    is_data_loss: bool = optional("true or false", default=False)
    needs_charge_back: bool = optional("true or false", default=False)
    latching: bool = optional("true or false", default=False)
    suppressed_by: Annotated[tuple[str, ...], Field(strict=False)] = optional(
        'a list of rule names, such as ["cold-charge"]', ()
    )
    cause: str = optional("a sentence", "")
    consequence: str = optional("a sentence", "")
    action: str = optional("a sentence", "")
    respond_min: int = optional("minutes, 0 to 100000", 0, ge=0, le=100_000)
    basis: str = optional("where the limit comes from", "")
