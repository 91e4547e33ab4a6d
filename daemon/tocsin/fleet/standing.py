"""How the sites of a fleet stand, worst first. Pure.

What nobody hears of is the worst: nobody knows.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime
from enum import IntEnum
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from collections.abc import Iterable, Mapping

    from tocsin.fleet.ports import Site

LIFELESS = {"lost", "disconnected", "removed"}
DAY_MS = 86_400_000


class Rank(IntEnum):
    """What a site is listed for; the smallest is the worst."""

    SILENT = 0
    HIGH_ALARM = 1
    SHORT = 2
    MEDIUM_ALARM = 3
    BLIND = 4
    LOW_ALARM = 5
    PROOF_DUE = 6
    EVENTS_MISSING = 7
    ALL_RIGHT = 8


ALARMS = {
    "high": Rank.HIGH_ALARM,
    "medium": Rank.MEDIUM_ALARM,
    "low": Rank.LOW_ALARM,
}


@dataclass(frozen=True, slots=True, kw_only=True)
class Limits:
    """When a site is listed.

    Attributes:
        silent_s: Nothing was heard of it for longer than this.
        short_min: Fewer minutes than this are likely to be left.
        proof_ms: Its proof test is due within this.
    """

    silent_s: float = 300
    short_min: float = 60
    proof_ms: int = 30 * DAY_MS


@dataclass(frozen=True, slots=True, kw_only=True)
class Standing:
    """One site, judged.

    Attributes:
        rank: The worst that is to be said of it.
        why: Everything that is to be said of it, worst first, in words.
        minutes: Likely to be left; None if no cut-off is foretold, or nobody knows.
        alarms: How many are raised; None if nobody knows.
        alarm: The worst of them, and what it is about.
    """

    site: str
    name: str
    rank: Rank
    why: tuple[str, ...]
    silent_s: float | None
    minutes: float | None
    alarms: int | None
    alarm: str
    proof_due: str | None
    missing: int

    def told(self) -> dict[str, Any]:
        """Return it as one JSON object."""
        return {
            "site": self.site,
            "name": self.name,
            "rank": self.rank.name.lower().replace("_", "-"),
            "why": list(self.why),
            "silent_s": None if self.silent_s is None else round(self.silent_s, 1),
            "minutes_left": self.minutes,
            "alarm_count": self.alarms,
            "alarm": self.alarm or None,
            "proof_due": self.proof_due,
            "events_missing": self.missing,
        }


def standings(sites: Iterable[Site], limits: Limits, *, wall_ms: int) -> list[Standing]:
    """Return every site, worst first; *wall_ms* is the time of day."""
    judged = [_judged(site, limits, wall_ms) for site in sites]
    return sorted(judged, key=_order)


def _order(one: Standing) -> tuple[Any, ...]:
    soon = float("inf") if one.minutes is None else one.minutes
    silent_s = float("inf") if one.silent_s is None else one.silent_s
    return one.rank, soon, -silent_s, one.site


def _judged(site: Site, limits: Limits, wall_ms: int) -> Standing:
    told: Mapping[str, Any] = site.summary or {}
    found = [
        *_silence(site, limits),
        *_alarms(told),
        *_minutes(told, limits),
        *_packs(told),
        *_proof(told, limits, wall_ms),
        *_missing(site),
    ]
    found.sort(key=lambda each: each[0])
    low, alarms = told.get("low"), told.get("alarms") or []
    return Standing(
        site=site.site,
        name=site.name or site.site,
        rank=found[0][0] if found else Rank.ALL_RIGHT,
        why=tuple(words for _, words in found),
        silent_s=site.silent_s,
        minutes=low["likely_min"] if low else None,
        alarms=told.get("alarm_count"),
        alarm=f"{alarms[0]['alarm']} {alarms[0]['subject']}" if alarms else "",
        proof_due=told.get("proof_due"),
        missing=site.missing,
    )


def _silence(site: Site, limits: Limits) -> list[tuple[Rank, str]]:
    if site.silent_s is None:
        return [(Rank.SILENT, "never heard")]
    since = _ago(site.silent_s)
    if site.state == "disconnected":
        return [(Rank.SILENT, f"stopped by somebody, silent for {since}")]
    if site.state in LIFELESS or site.silent_s > limits.silent_s:
        return [(Rank.SILENT, f"silent for {since}")]
    return []


def _alarms(told: Mapping[str, Any]) -> list[tuple[Rank, str]]:
    alarms = told.get("alarms") or []
    if not alarms:
        return []
    worst, more = alarms[0], told["alarm_count"] - 1
    words = f"{worst['priority']} alarm {worst['alarm']} {worst['subject']}"
    return [(ALARMS[worst["priority"]], words + (f" and {more} more" if more else ""))]


def _minutes(told: Mapping[str, Any], limits: Limits) -> list[tuple[Rank, str]]:
    low = told.get("low")
    if not low or low["likely_min"] > limits.short_min:
        return []
    return [(Rank.SHORT, f"{low['likely_min']:.0f} min left, {low['subject']}")]


def _packs(told: Mapping[str, Any]) -> list[tuple[Rank, str]]:
    blind = [pack["name"] for pack in told.get("packs", ()) if not pack["online"]]
    return [(Rank.BLIND, f"pack {', '.join(blind)} not heard")] if blind else []


def _proof(
    told: Mapping[str, Any], limits: Limits, wall_ms: int
) -> list[tuple[Rank, str]]:
    if "proof_due" not in told:
        return []
    if told["proof_due"] is None:
        return [(Rank.PROOF_DUE, "never proved")]
    due_ms = datetime.fromisoformat(told["proof_due"]).timestamp() * 1000
    day = told["proof_due"][:10]
    if due_ms <= wall_ms:
        return [(Rank.PROOF_DUE, f"proof test due since {day}")]
    if due_ms - wall_ms <= limits.proof_ms:
        return [(Rank.PROOF_DUE, f"proof test due {day}")]
    return []


def _missing(site: Site) -> list[tuple[Rank, str]]:
    if site.missing <= 0:
        return []
    events = "event" if site.missing == 1 else "events"
    return [(Rank.EVENTS_MISSING, f"{site.missing} {events} missing")]


def _ago(seconds: float) -> str:
    for size, unit in ((86_400, "d"), (3_600, "h"), (60, "min")):
        if seconds >= 2 * size:
            return f"{seconds / size:.0f} {unit}"
    return f"{seconds:.0f} s"
