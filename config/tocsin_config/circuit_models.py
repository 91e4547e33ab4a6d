"""``[output.circuit]`` and ``[output.reliability]``, as pydantic models."""

from __future__ import annotations

from typing import Annotated, Literal, get_args

from pydantic import Field

from tocsin.core.circuit import Driver, Flyback, Form, Load, Pull, Rating, Supply
from tocsin_config.fields import Table, choice, needed, optional

Awg = Literal[
    "22", "20", "18", "16", "14", "12", "10", "8", "6", "4", "2", "1",
    "1/0", "2/0", "3/0", "4/0",
]  # fmt: skip
AWGS = get_args(Awg)
AWG_NUMBERS = {"1/0": 0, "2/0": -1, "3/0": -2, "4/0": -3}
Insulation = Literal[60, 75, 80, 90, 105, 125, 200]

_V = {"ge": 0.1, "le": 1_000}
_A = {"ge": 0.001, "le": 2_000}
_MA = {"ge": 0, "le": 5_000}
_C = {"ge": -60, "le": 200}


class CircuitTable(Table):
    """``[output.circuit]``: how an output is wired. What is left out is not judged."""

    supply: Annotated[Supply, Field(strict=False)] | None = choice(
        "supply", Supply, default=None
    )
    supply_v: float | None = optional(
        "the converter's volts, 0.1 to 1000, such as 12", **_V
    )
    load: Annotated[Load, Field(strict=False)] | None = choice(
        "kind of load", Load, default=None
    )
    load_a: float | None = optional(
        "the amperes of the load, 0.001 to 2000, such as 5", **_A
    )
    load_v: float | None = optional("the load's rated volts, such as 12", **_V)
    load_min_v: float | None = optional(
        "the lowest volts that the load works with, such as 10.5", **_V
    )
    load_max_v: float | None = optional(
        "the highest volts that the load stands, such as 15", **_V
    )
    load_flyback: Annotated[Flyback, Field(strict=False)] | None = choice(
        "suppression", Flyback, default=None
    )
    critical: bool = optional("true for 3 % of volt drop, false for 10 %", default=True)
    length_m: float | None = optional(
        "the cable's length in m, one way, 0.01 to 2000, such as 8",
        ge=0.01,
        le=2_000,
    )
    area_mm2: float | None = optional(
        "the cable's cross-section in mm2, 0.1 to 500, such as 2.5", ge=0.1, le=500
    )
    awg: Awg | None = choice(
        "wire size",
        AWGS,
        default=None,
        description=f"one of {', '.join(AWGS)}, in quotes",
    )
    conductor_c: float | None = optional(
        "the temperature of the copper in degC, -60 to 200, such as 40", **_C
    )
    ambient_c: float | None = optional(
        "the temperature around the cable in degC, -60 to 200, such as 30", **_C
    )
    insulation_c: Insulation | None = optional(
        "what the insulation is rated for: 60, 75, 80, 90, 105, 125 or 200 degC"
    )
    bundled: int = optional(
        "conductors with current side by side, 1 to 100, such as 2", 2, ge=1, le=100
    )
    fuse_a: float | None = optional("the fuse's amperes, such as 10", **_A)
    fuse_v: float | None = optional("the fuse's DC volts, such as 80", **_V)
    fuse_breaking_a: float | None = optional(
        "amperes the fuse can break, such as 20000", ge=1, le=1_000_000
    )
    relay: bool = optional(
        "true, or false where the driver switches the load itself", default=True
    )
    contact_v: float | None = optional(
        "the DC volts the contact is rated for, such as 30", **_V
    )
    contact_a: float | None = optional(
        "the DC amperes the contact is rated for, such as 10", **_A
    )
    contact_rating: Annotated[Rating, Field(strict=False)] | None = choice(
        "rating", Rating, default=None
    )
    contact_form: Annotated[Form, Field(strict=False)] | None = choice(
        "contact", Form, default=None
    )
    contacts_in_series: int = optional(
        "contacts of one relay in series, 1 to 4", 1, ge=1, le=4
    )
    coil_v: float | None = optional("the coil's rated volts, such as 12", **_V)
    coil_ma: float | None = optional("the coil's current in mA, such as 70", **_MA)
    flyback: Annotated[Flyback, Field(strict=False)] | None = choice(
        "suppression", Flyback, default=None
    )
    driver: Annotated[Driver, Field(strict=False)] | None = choice(
        "driver", Driver, default=None
    )
    input_ma: float | None = optional(
        "what the driver draws from the pin in mA, such as 5", **_MA
    )
    pull: Annotated[Pull, Field(strict=False)] | None = choice(
        "pull", Pull, default=None
    )


class ReliabilityTable(Table):
    """``[output.reliability]``: how often the parts of an output's chain fail."""

    parts: dict[str, Annotated[float, Field(ge=0, le=1)]] = needed(
        "a table of dangerous undetected failures an hour, such as { relay = 3e-7 }",
        {"relay": 3e-7},
        min_length=1,
    )
    proof_test_months: float = needed(
        "months from one proof test to the next, above 0 to 600, such as 12",
        12,
        gt=0,
        le=600,
    )
    coverage_pct: float = needed(
        "the share of failures that the proof test finds, 0 to 100 %, such as 90",
        90,
        ge=0,
        le=100,
    )
    life_years: float = needed(
        "years until all of it is replaced, above 0 to 100, such as 15",
        15,
        gt=0,
        le=100,
    )
