"""Facts as people and programs read them: one flat JSON object each."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, assert_never

from tocsin.core.events import (
    AlarmFact,
    CommandFact,
    Fact,
    NoteFact,
    OutputFact,
    SourceFact,
)

if TYPE_CHECKING:
    from collections.abc import Mapping


def fact_json(fact: Fact) -> Mapping[str, Any]:
    """Return *fact* as a flat object with ``kind`` and units people read; no time."""
    match fact:
        case AlarmFact():
            return {
                "kind": "alarm",
                "alarm": fact.alarm,
                "priority": fact.priority.value,
                "state": fact.state,
                "was": fact.was,
                "subject": fact.subject,
                "value": None if fact.value is None else fact.unit.shown(fact.value),
                "unit": fact.unit.symbol,
                "message": fact.message,
            }
        case OutputFact():
            return {
                "kind": "output",
                "output": fact.output,
                "role": fact.role.value,
                "energised": fact.energised,
                "because": list(fact.because),
            }
        case SourceFact():
            return {
                "kind": "source",
                "pack": fact.pack,
                "state": fact.state,
                "reason": fact.reason,
            }
        case CommandFact():
            return {
                "kind": "command",
                "verb": fact.verb.value,
                "alarm": fact.alarm,
                "subject": fact.subject,
                "by": fact.by,
                "reason": fact.reason,
                "accepted": fact.accepted,
                "outcome": fact.outcome,
            }
        case NoteFact():
            return {"kind": "note", "what": fact.what, "text": fact.text}
        case _:
            assert_never(fact)


def fact_words(told: Mapping[str, Any]) -> str:
    """Return one line for a person from what `fact_json` made."""
    match told["kind"]:
        case "alarm":
            return (
                f"{told['priority'].upper()} {told['alarm']} {told['subject']}: "
                f"{told['state']}. {told['message']}"
            )
        case "output":
            level = "energised" if told["energised"] else "de-energised"
            why = f" because {', '.join(told['because'])}" if told["because"] else ""
            return f"{told['role']} {told['output']} {level}{why}"
        case "source":
            why = f": {told['reason']}" if told["reason"] else ""
            return f"pack {told['pack']} {told['state']}{why}"
        case "command":
            did = "done" if told["accepted"] else "refused"
            what = " ".join(filter(None, (told["alarm"], told["subject"])))
            return f"{told['verb']} {what} by {told['by']}: {did}, {told['outcome']}"
        case _:
            return f"{told['what']}: {told['text']}"
