"""Tables of inputs, and of calls that are more than a contact."""

from __future__ import annotations

from typing import Annotated, Literal

from pydantic import Field

from tocsin.core.plant import InputRole
from tocsin_config.fields import Table, choice, name_field, needed, optional

PIN = r"^GPIO(\d|1\d|2[0-7])$"
TIME = r"^([01]\d|2[0-3]):[0-5]\d$"
HOURS = r"^([01]\d|2[0-3]):[0-5]\d-([01]\d|2[0-3]):[0-5]\d$"
SENSOR = r"^[A-Za-z0-9_-]{1,64}/[1-9]\d{0,2}$"
TIME_RIGHT = 'a local time of day, such as "{}"'


class InputTable(Table):
    """``[[input]]``: one button, switch or contact."""

    name: str = name_field("ack")
    role: Annotated[InputRole, Field(strict=False)] = choice(
        "role", InputRole, examples=["acknowledge"]
    )
    output: str | None = optional("for a read-back, the name of its output")
    pin: str | None = optional("a pin from GPIO0 to GPIO27, in quotes", pattern=PIN)
    active_low: bool = optional("true or false", default=False)
    pull: Literal["up", "down", "none"] | None = choice(
        "pull", ("up", "down", "none"), default=None
    )
    debounce_ms: int = optional(
        "milliseconds, 0 to 5000, such as 50", 50, ge=0, le=5000
    )
    max_min: float | None = optional(
        "minutes that the horn stays quiet, 1 to 240, such as 60", ge=1, le=240
    )


class GeneratorTable(Table):
    """``[output.generator]``: a set that is started, watched, warmed and cooled."""

    start_delay_s: float = optional(
        "seconds, 1 to 3600, such as 10", 10, ge=1, le=3_600
    )
    confirm_s: float = optional("seconds, 5 to 600, such as 90", 90, ge=5, le=600)
    confirm_a: float | None = optional(
        "amperes of charge that show a running set, such as 10", gt=0, le=10_000
    )
    tries: int = optional("attempts, 1 to 6, such as 3", 3, ge=1, le=6)
    pause_s: float = optional("seconds, 15 to 600, such as 30", 30, ge=15, le=600)
    warm_up_s: float = optional("seconds, 0 to 1800, such as 120", 120, ge=0, le=1_800)
    cool_down_s: float = optional(
        "seconds, 0 to 1800, such as 180", 180, ge=0, le=1_800
    )
    min_run_min: float = optional("minutes, 0 to 720, such as 30", 30, ge=0, le=720)
    max_run_min: float = optional(
        "minutes, 10 to 2880, such as 720", 720, ge=10, le=2_880
    )
    min_rest_min: float = optional("minutes, 1 to 1440, such as 10", 10, ge=1, le=1_440)
    emergency: Annotated[tuple[str, ...], Field(strict=False)] | None = optional(
        'a list of rule names, such as ["low-cell"]'
    )
    stop_returned_pct: float = optional(
        "percent of the bank's capacity, 1 to 100, such as 20", 20, ge=1, le=100
    )
    stop_soc_pct: float | None = optional("percent, 1 to 100, such as 80", ge=1, le=100)
    stop_cell_v: float | None = optional(
        "volts of the lowest cell, such as 3.35", ge=0.5, le=5
    )
    exercise_days: int = optional("days, 0 for never, such as 28", 0, ge=0, le=366)
    exercise_at: str = optional(TIME_RIGHT.format("11:00"), "11:00", pattern=TIME)
    exercise_run_min: float = optional(
        "minutes, 1 to 240, such as 30", 30, ge=1, le=240
    )


class HeaterTable(Table):
    """``[output.heater]``: warm when charge comes, and not earlier."""

    watts: float = needed(
        "what the heater draws in watts, such as 200", 200, gt=0, le=20_000
    )
    heats_ah: float | None = optional(
        "ampere-hours of one pack times the packs that it warms, such as 280",
        gt=0,
        le=1_000_000,
    )
    warm_to_c: float | None = optional(
        "degrees Celsius of the coldest cell, -20 to 30, such as 8.0", ge=-20, le=30
    )
    charge_at: str | None = optional(TIME_RIGHT.format("07:30"), pattern=TIME)
    window_min: float = optional("minutes, 10 to 480, such as 240", 240, ge=10, le=480)
    floor_soc_pct: float | None = optional(
        "percent, 0 to 100, such as 30", ge=0, le=100
    )
    floor_min: float | None = optional(
        "minutes to the low cut-off, 0 to 1440, such as 120", ge=0, le=1_440
    )
    skin: str | None = optional(
        'a pack and the number of its sensor on the heater, such as "left/4"',
        pattern=SENSOR,
    )
    skin_limit_c: float | None = optional(
        "degrees Celsius, 20 to 60, such as 40", ge=20, le=60
    )
    duty_on_min: float | None = optional("minutes, 1 to 240, such as 30", ge=1, le=240)
    duty_off_min: float | None = optional("minutes, 1 to 240, such as 10", ge=1, le=240)
