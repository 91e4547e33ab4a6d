"""How a site stands: when it was proved last, and whether it is still the same."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from tocsin.clock import iso_time, wall_ms
from tocsin.prove.records import RecordError, newest

if TYPE_CHECKING:
    from tocsin_config import Setup

NEVER = "Never proved: run `tocsin prove SITE` before anything depends on an output."
CHANGED = "limits changed since the last proof"


def standing(setup: Setup) -> dict[str, Any]:
    """Return when the site was proved last and is due next, as one JSON object.

    Never proved is null. A record that cannot be read counts as none, with a reason.
    """
    told: dict[str, Any] = {"proved": None, "next_due": None, "trouble": ""}
    try:
        is_rehearsal = setup.pins_driver == "simulated"
        record = newest(setup.journal_folder, is_rehearsal=is_rehearsal)
    except RecordError as exc:
        return told | {"trouble": str(exc)}
    if record is None:
        return told
    return told | {
        "proved": iso_time(record.ended_ms),
        "next_due": iso_time(record.next_due_ms),
        "verdict": record.verdict.value,
        "is_overdue": record.next_due_ms <= wall_ms(),
        "is_rehearsal": record.is_rehearsal,
        "is_same_site_file": record.site_sha256 == setup.sha256,
    }


def standing_words(told: dict[str, Any]) -> str:
    """Return what `standing` told, for a person."""
    if told["trouble"]:
        return f"Proof test: {told['trouble']}"
    if told["proved"] is None:
        return NEVER
    what = "Rehearsed" if told["is_rehearsal"] else "Proved"
    words = [f"{what} on {told['proved'][:10]}: {told['verdict']}"]
    if not told["is_same_site_file"]:
        words.append(CHANGED.upper())
    due = f"due since {told['next_due'][:10]}" if told["is_overdue"] else ""
    words.append(due or f"next due {told['next_due'][:10]}")
    return "; ".join(words)
