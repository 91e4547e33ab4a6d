"""Circuits with something left out."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from tocsin.core.circuit import Circuit


def without(circuit: Circuit, *keys: str) -> Circuit:
    changes: dict[str, Any] = dict.fromkeys(keys)
    return replace(circuit, **changes)
