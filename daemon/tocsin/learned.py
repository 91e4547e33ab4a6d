"""What the forecast has learned, kept over a restart.

One JSON file beside the journal. What cannot be right is refused with its reason and
learned anew: a forecast that begins wide is safer than one that remembers wrongly.
"""

from __future__ import annotations

import hashlib
import json
from dataclasses import MISSING, Field, asdict, fields, is_dataclass, replace
from typing import TYPE_CHECKING, Any

from pydantic import TypeAdapter, ValidationError

from tocsin import files
from tocsin.core.forecast.cell import Cell
from tocsin.core.forecast.design import Sums
from tocsin.core.forecast.drift import Drift
from tocsin.core.forecast.feed import fresh
from tocsin.core.forecast.load import Load
from tocsin.core.forecast.ohmic import Ohmic
from tocsin.core.forecast.result import Forecast, Limit
from tocsin.core.forecast.thermal import Approach, Thermal

if TYPE_CHECKING:
    from collections.abc import Mapping
    from pathlib import Path

    from tocsin.core.forecast.pack import Tracker
    from tocsin.core.site import Site
    from tocsin.core.state import State

FILE = "learned.json"
VERSION = 3
LARGEST_BYTES = 50_000_000
OLDEST_S = 30 * 86_400.0
"""Older than a month it says more about another battery than about this one."""

LARGEST = 1e30
"""No sum comes near it; what is worked out of numbers beyond it may be infinite."""

_PARTS: dict[str, TypeAdapter[Any]] = {
    "load": TypeAdapter(Load),
    "ohmic": TypeAdapter(Ohmic),
    "drift": TypeAdapter(Drift),
    "sums": TypeAdapter(Sums),
    "cells": TypeAdapter(list[Cell]),
    "fitted": TypeAdapter(dict[str, tuple[float, float]]),
    "thermal": TypeAdapter(Thermal),
    "approaches": TypeAdapter(dict[Limit, Approach]),
    "forecasts": TypeAdapter(tuple[Forecast, ...]),
    "later_ah": TypeAdapter(list[float]),
}
_PARTS |= dict.fromkeys(
    ("begun_s", "current_a", "counter_ah", "temp_c", "slower"), TypeAdapter(float)
)
_PARTS |= dict.fromkeys(
    ("fast_a", "slow_a", "mark_ah", "aligned_s", "looked_s", "at_s"), TypeAdapter(float)
)
_PARTS |= {
    "charge": TypeAdapter(float | None),
    "turn": TypeAdapter(int),
    "is_charging": TypeAdapter(bool),
    "is_cut": TypeAdapter(bool),
}


class LearnedError(ValueError):
    """The file is no memory of this bank; its text says why."""


def written(state: State, site: Site, *, wall_ms: int) -> str:
    """Return the file's text. Any thread may ask: states never change."""
    packs = {
        pack.name: _one(held.tracker)
        for pack, held in zip(site.bank.packs, state.packs, strict=True)
        if held.tracker is not None and held.tracker.at_s is not None
    }
    inside = json.dumps(packs)
    head = {
        "version": VERSION,
        "saved_ms": wall_ms,
        "now_ms": state.now_ms,
        "chemistry": site.chemistry.name,
        "capacity_mah": site.bank.capacity_mah,
        "sha256": _digest(inside),
    }
    return json.dumps(head) + "\n" + inside + "\n"


def _digest(text: str) -> str:
    return hashlib.sha256(text.encode()).hexdigest()


def _one(tracker: Tracker) -> dict[str, Any]:
    whole = {name: getattr(tracker, name) for name in _PARTS}
    for name in ("load", "ohmic", "drift", "sums", "thermal"):
        whole[name] = asdict(whole[name])
    whole["cells"] = [asdict(cell) for cell in tracker.cells]
    whole["approaches"] = {k: asdict(told) for k, told in tracker.approaches.items()}
    whole["forecasts"] = [asdict(told) for told in tracker.forecasts]
    return whole


def read(text: str, site: Site, *, wall_ms: int, now_s: float) -> dict[str, Tracker]:
    """Return the trackers of *text*, in the times of this run.

    Raises:
        LearnedError: damaged, of another version, of another bank, or too old.
    """
    first, _, inside = text.partition("\n")
    inside = inside.removesuffix("\n")
    try:
        head = files.parsed(first)
        version, saved_ms = head["version"], int(head["saved_ms"])
        then_s = int(head["now_ms"]) / 1000
        of = (head["chemistry"], head["capacity_mah"])
        is_whole = head["sha256"] == _digest(inside)
    except (ValueError, KeyError, TypeError, OverflowError) as exc:
        raise LearnedError("it is damaged") from exc
    if version != VERSION:
        raise LearnedError(f"it is of version {version!r:.40}, not {VERSION}")
    if of != (site.chemistry.name, site.bank.capacity_mah):
        raise LearnedError("it is of another bank")
    gap_s = max(0, wall_ms - saved_ms) / 1000
    if gap_s > OLDEST_S:
        raise LearnedError(f"it is {gap_s / 86_400:.0f} days old")
    if not is_whole:
        raise LearnedError("it is damaged")
    try:
        packs = files.parsed(inside)
    except ValueError as exc:
        raise LearnedError("it is damaged") from exc
    return {
        name: _restored(name, packs[name], site, now_s - gap_s - then_s)
        for name in site.pack_at
        if name in packs
    }


def _restored(name: str, told: Mapping[str, Any], site: Site, by_s: float) -> Tracker:
    """Return one tracker, as if all had been heard *by_s* later."""
    try:
        parts = {part: of.validate_python(told[part]) for part, of in _PARTS.items()}
    except (ValidationError, KeyError, TypeError) as exc:
        reason = str(exc).splitlines()[0]
        raise LearnedError(f"it is damaged at {name}: {reason}") from exc
    if not _is_sound(parts):
        raise LearnedError(f"it is damaged at {name}: a number or a row is wrong")
    cells, series = len(parts["cells"]), site.bank.packs[site.pack_at[name]].cells
    if not cells or cells % series:
        raise LearnedError(f"it has {cells} cells of {name}, which has {series}")
    blank = fresh(site, strings=cells // series)
    tracker: Tracker = replace(blank, **parts)
    return tracker.moved(by_s)


def _is_sound(value: object) -> bool:
    """Return True if all numbers in *value* are, and rows are as long as at first."""
    if isinstance(value, float):
        return abs(value) <= LARGEST  # and so neither infinite nor NaN
    if isinstance(value, dict):
        return all(map(_is_sound, value.values()))
    if isinstance(value, list | tuple):
        return all(map(_is_sound, value))
    if is_dataclass(value):
        return all(_fits(each, getattr(value, each.name)) for each in fields(value))
    return True


def _fits(field: Field[Any], value: Any) -> bool:  # noqa: ANN401 of any type
    first = field.default
    if field.default_factory is not MISSING:
        first = field.default_factory()
    if isinstance(first, list | tuple) and first and len(first) != len(value):
        return False
    return _is_sound(value)


def load(
    folder: Path, site: Site, *, wall_ms: int, now_s: float
) -> Mapping[str, Tracker]:
    """Return what the file in *folder* holds; nothing if there is none.

    Raises:
        LearnedError: it cannot be read or is no memory of this bank.
    """
    try:
        text = files.read(folder / FILE, largest_bytes=LARGEST_BYTES)
    except (OSError, ValueError) as exc:
        raise LearnedError(f"it cannot be read: {exc}") from exc
    return {} if text is None else read(text, site, wall_ms=wall_ms, now_s=now_s)


def save(folder: Path, text: str) -> None:
    """Write the file whole or not at all.

    Raises:
        OSError: the disk does not take it; the old file is still there.
    """
    files.save(folder / FILE, text)


def set_aside(folder: Path) -> None:
    """Put the file where the next run does not find it."""
    files.set_aside(folder / FILE)
