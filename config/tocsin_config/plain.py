"""One circuit without a site file: the same keys, given as plain arguments."""

from __future__ import annotations

from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

from pydantic import Field

from tocsin.core.rules import Role
from tocsin_config.call_models import PIN
from tocsin_config.circuit_models import CircuitTable
from tocsin_config.circuits import circuit, misfits, usual_volts
from tocsin_config.document import Document
from tocsin_config.fields import choice, optional
from tocsin_config.models import PRESETS, Preset
from tocsin_config.validate import validate

if TYPE_CHECKING:
    from collections.abc import Mapping

    from tocsin.core.circuit import Circuit
    from tocsin_config.problems import Problem


class PlainTable(CircuitTable):
    """A circuit with what an output and a bank would say of it."""

    role: Annotated[Role, Field(strict=False)] | None = choice(
        "role", Role, default=None
    )
    pin: str | None = optional("a pin from GPIO0 to GPIO27", pattern=PIN)
    active_low: bool = optional("where a low pin energises", default=False)
    supply_v: float | None = optional(
        "the supply's volts, 0.1 to 1000, such as 24", ge=0.1, le=1_000
    )
    supply_low_v: float | None = optional(
        "the least volts of the supply, such as 44.8", ge=0.1, le=1_000
    )
    supply_high_v: float | None = optional(
        "the most volts of the supply, such as 60", ge=0.1, le=1_000
    )
    chemistry: Preset | None = choice("preset", PRESETS, default=None)
    cells: int | None = optional(
        "cells in series of the bank that feeds it, 1 to 400, such as 16", ge=1, le=400
    )
    capacity_ah: float | None = optional(
        "the bank's nameplate in Ah, such as 280", ge=0.01, le=100_000
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class PlainKey:
    """One argument: its name, what it takes, what would be right.

    Attributes:
        kind: None for yes or no.
    """

    name: str
    kind: type[str | int | float] | None
    right: str
    choices: tuple[str, ...] = ()


def plain_keys() -> tuple[PlainKey, ...]:
    """Return every argument that a circuit may be stated with."""
    return tuple(
        PlainKey(
            name=name,
            kind=_kind(info.annotation),
            right=(info.description or "").rstrip("."),
            choices=_choices(info.json_schema_extra),
        )
        for name, info in PlainTable.model_fields.items()
    )


def _kind(annotation: object) -> type[str | int | float] | None:
    if annotation is bool:
        return None
    words = str(annotation)
    if "float" in words:
        return float
    return int if "int" in words or "60" in words else str


def _choices(extra: object) -> tuple[str, ...]:
    words = extra.get("choices") if isinstance(extra, dict) else None
    return tuple(map(str, words)) if isinstance(words, list) else ()


def plain_circuit(
    values: Mapping[str, Any],
) -> tuple[Circuit | None, tuple[Problem, ...]]:
    """Return the circuit of *values*, or everything that is wrong with them."""
    document = Document(file=Path("arguments"), data=values)
    valid = validate(PlainTable, values, document)
    own, problems = valid.model, list(valid.problems)
    if own is not None and not problems:
        problems += [
            document.problem((key,), wrong, right)
            for key, wrong, right in _misfits(own)
        ]
    if own is None or problems:
        return None, tuple(problems)
    bank = None
    if own.chemistry is not None and own.cells is not None:
        bank = usual_volts(own.chemistry, own.cells, own.capacity_ah)
    table = CircuitTable(
        **own.model_dump(include=set(CircuitTable.model_fields), exclude_unset=True)
    )
    made = circuit(
        table, bank, role=own.role, pin=own.pin, is_active_low=own.active_low
    )
    if own.supply_low_v is not None:
        made = replace(
            made, supply_low_v=own.supply_low_v, supply_high_v=own.supply_high_v
        )
    return made, ()


def _misfits(own: PlainTable) -> list[tuple[str, str, str]]:
    has_bank = own.chemistry is not None and own.cells is not None
    found = misfits(own, is_bank_known=has_bank)
    if (own.chemistry is None) is not (own.cells is None):
        found.append(("cells", "chemistry and cells belong together", "both of them"))
    low, high = own.supply_low_v, own.supply_high_v
    if (low is None) is not (high is None):
        found.append(("supply_low_v", "a range has two ends", "supply_high_v as well"))
    elif low is not None and high is not None and low > high:
        found.append(("supply_low_v", "above supply_high_v", "the lower one first"))
    if low is not None and (has_bank or own.supply is not None):
        wrong = "the range follows from the bank or the converter"
        found.append(("supply_low_v", wrong, "leave it out"))
    return found
