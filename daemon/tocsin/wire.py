"""Facts as people and programs read them: one flat JSON object each."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, assert_never

from tocsin.core.events import (
    AlarmFact,
    CommandFact,
    Fact,
    NoteFact,
    OutputFact,
    ProofFact,
    Proving,
    SourceFact,
)
from tocsin.core.forecast import FAR_MS

if TYPE_CHECKING:
    from collections.abc import Mapping

    from tocsin.core.forecast import Forecast
    from tocsin.core.rules import Unit


def fact_json(fact: Fact) -> Mapping[str, Any]:
    """Return *fact* as a flat object with ``kind`` and units people read; no time.

    What came about while a proof test was going on says ``proving``: "cause" if the
    test made it, "meanwhile" if it is real all the same.
    """
    told = _plain_json(fact)
    return told if fact.proving is Proving.NOT else told | {"proving": fact.proving}


def _plain_json(fact: Fact) -> dict[str, Any]:
    match fact:
        case AlarmFact():
            return {
                "kind": "alarm",
                "alarm": fact.alarm,
                "priority": fact.priority.value,
                "state": fact.state,
                "was": fact.was,
                "subject": fact.subject,
                "value": _shown(fact.value, fact.unit),
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
        case ProofFact():
            return {
                "kind": "proof",
                "state": fact.state,
                "alarm": fact.alarm,
                "subject": fact.subject,
                "by": fact.by,
                "virtual": _shown(fact.virtual, fact.unit),
                "live": _shown(fact.live, fact.unit),
                "unit": fact.unit.symbol,
                "text": fact.text,
            }
        case _:
            assert_never(fact)


def _shown(value: int | None, unit: Unit) -> float | None:
    return None if value is None else unit.shown(value)


def forecast_json(pack: str, told: Forecast) -> Mapping[str, Any]:
    """Return what is foretold of one limit of *pack*; seconds, null if not known.

    A cut-off that is not foreseen within a day is null as well, with its reason.
    """
    subject = f"{pack}/{told.part}" if told.part else pack
    return {
        "kind": "forecast",
        "limit": told.limit.value,
        "subject": subject,
        "early_s": _ahead_s(told.early_ms),
        "likely_s": _ahead_s(told.likely_ms),
        "late_s": _ahead_s(told.late_ms),
        "reason": told.reason,
    }


def _ahead_s(time_ms: int | None) -> int | None:
    return None if time_ms is None or time_ms >= FAR_MS else round(time_ms / 1000)


def fact_words(told: Mapping[str, Any]) -> str:
    """Return one line for a person from what `fact_json` made."""
    words = _plain_words(told)
    match told.get("proving"):
        case "cause":
            return f"PROOF TEST, not real: {words}"
        case "meanwhile":
            return f"{words} (real, during a proof test)"
        case _:
            return words


def _plain_words(told: Mapping[str, Any]) -> str:  # noqa: PLR0911 one return a kind
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
        case "proof":
            return _proof_words(told)
        case "forecast":
            return _forecast_words(told)
        case _:
            return f"{told['what']}: {told['text']}"


def _proof_words(told: Mapping[str, Any]) -> str:
    what = f"{told['alarm']} {told['subject']} {told['state']} by {told['by']}"
    if told["virtual"] is None:
        return f"{what}: {told['text']}"
    live = "nothing" if told["live"] is None else f"{told['live']:g}"
    values = f"{told['virtual']:g} in place of {live} {told['unit']}".rstrip()
    return f"{what}: {values}; {told['text']}"


def _forecast_words(told: Mapping[str, Any]) -> str:
    what = f"{told['limit']} limit, {told['subject']}"
    if told["likely_s"] is None:
        return f"{what}: {told['reason'] or 'not foreseen within a day'}"
    early, likely, late = (
        "more than a day" if told[key] is None else f"{told[key] / 60:.0f} min"
        for key in ("early_s", "likely_s", "late_s")
    )
    return f"{what}: likely in {likely} (between {early} and {late})"
