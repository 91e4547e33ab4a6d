"""How much room the history of a site takes, as `check` says it."""

from __future__ import annotations

from typing import TYPE_CHECKING

from tocsin.history.room import DAY_MS, Estimate, estimated

if TYPE_CHECKING:
    from tocsin_config import Problem, Setup

MOST_WRITTEN_MB = 500
"""A day, five times what a bank of five packs needs; common practice, no source."""


def as_json(setup: Setup) -> dict[str, float] | None:
    """Return the estimate in MB; None where no history is kept."""
    found = _found(setup)
    if found is None or setup.history is None:
        return None
    return {
        "held_mb": round(found.held, 1),
        "year_mb": round(found.a_year, 1),
        "written_mb_per_day": round(found.written_a_day, 1),
        "max_mb": setup.history.max_mb,
    }


def line(setup: Setup) -> str:
    """Return the estimate in one line for a person."""
    found, spec = _found(setup), setup.history
    if found is None or spec is None:
        return "history: off, no samples are kept"
    return (
        f"history, about: {found.raw:.0f} MB of samples ({spec.raw_ms / 3.6e6:g} h), "
        f"{found.minutes:.0f} MB of minutes ({spec.minute_ms / DAY_MS:g} days), "
        f"{found.quarters:.0f} MB of quarters of an hour "
        f"({spec.quarter_ms / DAY_MS:g} days); {found.a_year:.0f} MB a year; "
        f"{found.written_a_day:.0f} MB written a day; at most {spec.max_mb:g} MB"
    )


def doubts(setup: Setup) -> list[Problem]:
    """Return what is doubtful with the sizes asked for."""
    found, spec, origin = _found(setup), setup.history, setup.origin
    if found is None or spec is None or origin is None:
        return []
    said: list[tuple[tuple[str, ...], str, str]] = []
    if found.held > spec.max_mb:
        wrong = f"about {found.held:.0f} MB are asked for, {spec.max_mb:g} MB allowed"
        right = "a larger max_mb, or fewer days: the oldest minutes go first"
        said.append((("history", "max_mb"), wrong, right))
    if found.written_a_day > MOST_WRITTEN_MB:
        wrong = f"about {found.written_a_day:.0f} MB are written a day"
        right = "a larger batch_s, such as 60, to spare an SD card"
        said.append((("history", "batch_s"), wrong, right))
    return [origin.document.problem(*each) for each in said]


def _found(setup: Setup) -> Estimate | None:
    if setup.history is None:
        return None
    return estimated(setup.history, setup.site.bank, setup.poll_ms)
