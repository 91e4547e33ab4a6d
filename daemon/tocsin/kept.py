"""What outputs have done in their lives, kept over a restart.

One small JSON file beside the journal: operations, starts, hours, a lock-out after
failed starts, whether a set runs or is still to start, when one last stopped and a
horn last tested itself, and when charge began on the last days. What cannot be right
is refused whole, with its reason, and counted anew. To set a count back, stop the
daemon, change the number and take the line with ``sha256`` out.
"""

from __future__ import annotations

import hashlib
import json
from dataclasses import replace
from typing import TYPE_CHECKING, Any

from tocsin import files
from tocsin.core.counts import Counts
from tocsin.core.dawn import DAYS
from tocsin.core.genset import CLOSED, Phase, was_phase
from tocsin.core.hours import DAY_MS

if TYPE_CHECKING:
    from collections.abc import Mapping
    from pathlib import Path

    from tocsin.core.levels import OutputState
    from tocsin.core.site import Site
    from tocsin.core.state import State

FILE = "counts.json"
VERSION = 1
LARGEST_BYTES = 1_000_000
TOTALS = ("operations", "run_ms", "starts", "failed")
MOMENTS = ("stopped_ms", "ran_ms", "tested_ms")


class KeptError(ValueError):
    """The file says nothing that can be used; its text says why."""


def pressing(state: State) -> tuple[object, ...]:
    """Return what must be saved soon after it changes: lock-outs, stops, tests."""
    return tuple(
        (replace(each.counts, operations=0, run_ms=0), *_contact(each))
        for each in state.outputs
    )


def _contact(of: OutputState) -> tuple[bool, bool]:
    """Return whether a set's contact is closed, and whether it is still to start."""
    phase = was_phase(of)
    return phase in CLOSED, phase is Phase.STARTING


def written(state: State, site: Site, *, wall_ms: int) -> str:
    """Return the file's text; moments in ms since 1970.

    *wall_ms* is the time of day as of the state.
    """
    to_wall_ms = wall_ms - state.now_ms
    outputs: dict[str, dict[str, Any]] = {}
    for output, now in zip(site.outputs, state.outputs, strict=True):
        of = {name: getattr(now.counts, name) for name in (*TOTALS, "locked")}
        for name in MOMENTS:
            at_ms = getattr(now.counts, name)
            of[name] = None if at_ms is None else at_ms + to_wall_ms
        of["runs"], of["starting"] = _contact(now)
        outputs[output.name] = of
    inside = {"outputs": outputs, "charge_begins_ms": list(state.dawn.begins_ms)}
    whole = {
        "version": VERSION,
        "saved_ms": wall_ms,
        "sha256": _digest(inside),
        "kept": inside,
    }
    return json.dumps(whole, indent=1) + "\n"


def _digest(inside: object) -> str:
    return hashlib.sha256(json.dumps(inside, sort_keys=True).encode()).hexdigest()


def read(
    text: str, site: Site, *, wall_ms: int, now_ms: int
) -> tuple[dict[str, Counts], tuple[int, ...]]:
    """Return counts by output, in the times of this run, and begins of charge.

    What is of outputs that the site no longer has is left out.

    Raises:
        KeptError: it is damaged or of another version.
    """
    try:
        whole = files.parsed(text)
        version, inside = whole["version"], whole["kept"]
        digest = whole.get("sha256", _digest(inside))
    except (ValueError, KeyError, TypeError, AttributeError) as exc:
        raise KeptError("it is damaged") from exc
    if version != VERSION:
        raise KeptError(f"it is of version {version!r:.40}, not {VERSION}")
    if digest != _digest(inside):
        raise KeptError("it is damaged, or edited with its sha256 left in")
    try:
        outputs, begins = inside["outputs"], inside["charge_begins_ms"]
        counts = {
            name: _counts(outputs[name], now_ms, wall_ms)
            for name in site.output_at
            if name in outputs
        }
        return counts, tuple(_whole(ms) % DAY_MS for ms in begins)[-DAYS:]
    except (KeyError, TypeError) as exc:
        raise KeptError("it is damaged") from exc


def _counts(of: Mapping[str, Any], now_ms: int, wall_ms: int) -> Counts:
    totals = {name: _whole(of[name]) for name in TOTALS}
    # A start that the end of the daemon broke off came to nothing.
    totals["failed"] += of.get("starting") is True

    def moment(name: str) -> int | None:
        """Return a moment of this run; a wall clock that went back makes it now."""
        if of[name] is None:
            return None
        return now_ms - max(0, wall_ms - _whole(of[name]))

    return Counts(
        locked=of["locked"] is True,
        # If the daemon ended while the set ran, its contact opened then or opens now.
        stopped_ms=now_ms if of["runs"] else moment("stopped_ms"),
        ran_ms=moment("ran_ms"),
        tested_ms=moment("tested_ms"),
        **totals,
    )


def _whole(value: object) -> int:
    if isinstance(value, bool) or not isinstance(value, int) or value < 0:
        raise TypeError(value)
    return value


def load(
    folder: Path, site: Site, *, wall_ms: int, now_ms: int
) -> tuple[dict[str, Counts], tuple[int, ...]]:
    """Return what the file in *folder* holds; nothing if there is none.

    Raises:
        KeptError: it cannot be read or used.
    """
    try:
        text = files.read(folder / FILE, largest_bytes=LARGEST_BYTES)
    except (OSError, ValueError) as exc:
        raise KeptError(f"it cannot be read: {exc}") from exc
    if text is None:
        return {}, ()
    return read(text, site, wall_ms=wall_ms, now_ms=now_ms)
