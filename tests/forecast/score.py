"""How well warnings met the cut-offs they were for.

The words are those of the prognostics literature where it has them (Saha and Goebel,
Int. J. Prognostics and Health Management 2012): lead, horizon, error at a time before
the end. With a lead of 15 min a cut-off was announced *in window* 10 to 25 min ahead,
*late* 2 to 10, *missed* under 2 or not at all, *early* 25 to 45. A pre-warning that
holds no cut-off within 45 min is *false*, unless the load was taken away, or the sun
came, when the cut-off really was less than two leads away. Where a burst of load cuts
off, any warning from one lead before the bank could no longer carry it is in window.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from statistics import median
from typing import Any

TAUS_MIN = (60, 30, 15, 5)
FORGIVEN_S = 120.0
NUISANCE_S = 2_700.0
KINDS = ("low_cell", "high_cell", "cold", "hot")


@dataclass(frozen=True, kw_only=True)
class Said:
    """One forecast row: the times in seconds; None where nothing was foreseen."""

    at_s: float
    pack: str
    early_s: float | None
    likely_s: float | None
    late_s: float | None


@dataclass(kw_only=True)
class Heard:
    """What was said over one trace, by kind.

    Attributes:
        intervals: [raised, cleared) of the pre-warning; cleared may be infinite.
        rows: Forecasts in order of time.
        inhibited_s: When a rule dropped the charge permit for a full cell.
        steady_s: Those cut-offs before which the load had held for 25 min.
    """

    intervals: dict[str, list[tuple[float, float]]] = field(default_factory=dict)
    rows: dict[str, list[Said]] = field(default_factory=dict)
    inhibited_s: list[float] = field(default_factory=list)
    steady_s: set[float] = field(default_factory=set)


@dataclass(kw_only=True)
class Judged:
    """One cut-off and how it was announced."""

    kind: str
    at_s: float
    word: str
    lead_min: float | None
    is_burst: bool
    errors_min: dict[int, float | None] = field(default_factory=dict)
    in_band: dict[int, bool] = field(default_factory=dict)
    is_steady: bool = False
    is_inhibited: bool = False


@dataclass(kw_only=True)
class Result:
    """One trace."""

    name: str
    kind: str
    hours: float
    cutoffs: list[Judged] = field(default_factory=list)
    false_s: dict[str, list[float]] = field(default_factory=dict)
    risks: int = 0
    risks_seen: int = 0
    false_risks: int = 0


def cutoffs_of(entry: dict[str, Any]) -> list[dict[str, Any]]:
    """Return the true cut-offs of an index *entry*, in order of time."""
    return [*entry["prior_cutoffs"], *([entry["cutoff"]] if entry["cutoff"] else [])]


def judged(entry: dict[str, Any], heard: Heard, *, lead_s: float = 900.0) -> Result:
    """Return how *heard* met the truth of the index *entry*."""
    events = cutoffs_of(entry)
    result = Result(
        name=entry["id"], kind=entry["kind"], hours=entry["duration_s"] / 3600
    )
    for kind in KINDS:
        mine = [event for event in events if event["kind"] == kind]
        used = _cutoffs(kind, mine, heard, result, lead_s)
        result.false_s.setdefault(kind, [])
        for interval in heard.intervals.get(kind, []):
            if interval not in used and _is_false(
                kind, interval[0], mine, entry, lead_s
            ):
                result.false_s[kind].append(interval[0])
    _risks(entry, heard, result, lead_s)
    return result


def _cutoffs(
    kind: str,
    events: list[dict[str, Any]],
    heard: Heard,
    result: Result,
    lead_s: float,
) -> set[tuple[float, float]]:
    used = set[tuple[float, float]]()
    before_s = 0.0
    for event in events:
        at_s = event["t_s"]
        holding = [
            (a, b)
            for a, b in heard.intervals.get(kind, [])
            if before_s - 1 <= a <= at_s < b + FORGIVEN_S
        ]
        used.update(holding)
        raised_s = holding[0][0] if holding else None
        weak_s = event.get("vulnerable_since_s")
        if weak_s is not None:
            raised_s = _risk_raised(heard, at_s, weak_s, raised_s, lead_s)
        word, is_false = _word(at_s, raised_s, weak_s, lead_s)
        if is_false and raised_s is not None:
            result.false_s.setdefault(kind, []).append(raised_s)
        cutoff = Judged(
            kind=kind,
            at_s=at_s,
            word=word,
            lead_min=None if raised_s is None else (at_s - raised_s) / 60,
            is_burst=weak_s is not None,
            is_steady=at_s in heard.steady_s,
            is_inhibited=any(s < at_s for s in heard.inhibited_s),
        )
        _errors(cutoff, heard.rows.get(kind, []), before_s)
        result.cutoffs.append(cutoff)
        before_s = at_s
    return used


def _risk_raised(
    heard: Heard, at_s: float, weak_s: float, raised_s: float | None, lead_s: float
) -> float | None:
    """Return when a cut-off by a burst was announced, by either warning."""
    warned = [
        a
        for a, b in heard.intervals.get("surge", [])
        if a <= at_s < b + FORGIVEN_S
        and at_s - a >= FORGIVEN_S
        and a >= weak_s - lead_s
    ]
    is_late = raised_s is None or at_s - raised_s < FORGIVEN_S
    is_too_early = raised_s is not None and raised_s < weak_s - lead_s
    return warned[0] if warned and (is_late or is_too_early) else raised_s


def _word(
    at_s: float, raised_s: float | None, weak_s: float | None, lead_s: float
) -> tuple[str, bool]:
    """Return the word for a cut-off, and whether its warning was a false one."""
    if raised_s is None or at_s - raised_s < FORGIVEN_S:
        return "missed", False
    ahead_s = at_s - raised_s
    if weak_s is not None and raised_s >= weak_s - lead_s:
        return "in window", False
    if weak_s is not None and ahead_s > lead_s / 0.6:
        is_near = weak_s - raised_s <= NUISANCE_S
        return ("early", False) if is_near else ("false early", True)
    if ahead_s < lead_s / 1.5:
        return "late", False
    if ahead_s <= lead_s / 0.6:
        return "in window", False
    return ("early", False) if ahead_s <= NUISANCE_S else ("false early", True)


def _errors(cutoff: Judged, rows: list[Said], before_s: float) -> None:
    for tau in TAUS_MIN:
        asked_s = cutoff.at_s - tau * 60
        if asked_s < max(before_s, 240):
            continue
        past = [row for row in rows if asked_s - 300 < row.at_s <= asked_s]
        packs = {row.pack: row for row in past}
        known = [row for row in packs.values() if row.likely_s is not None]
        if not known:
            cutoff.errors_min[tau] = None
            continue
        row = min(known, key=lambda r: r.likely_s or 0.0)
        left_s = cutoff.at_s - row.at_s
        cutoff.errors_min[tau] = ((row.likely_s or 0.0) - left_s) / 60
        early_s = row.early_s if row.early_s is not None else float("inf")
        late_s = row.late_s if row.late_s is not None else float("inf")
        cutoff.in_band[tau] = early_s <= left_s <= late_s


def _is_false(
    kind: str,
    raised_s: float,
    events: list[dict[str, Any]],
    entry: dict[str, Any],
    lead_s: float,
) -> bool:
    for event in events:
        weak_s = event.get("vulnerable_since_s", 1e15)
        is_near = 0 <= event["t_s"] - raised_s <= NUISANCE_S
        if is_near or weak_s - lead_s <= raised_s <= event["t_s"]:
            return False
    would_s, rescue_s = entry.get("would_cut_s"), entry.get("rescue_s")
    if kind == "low_cell" and would_s and rescue_s:
        is_justified = raised_s <= rescue_s and would_s - raised_s <= 2 * lead_s
        if is_justified:
            return False
    return not (
        kind == "low_cell" and any(a <= raised_s <= b for a, b in entry["risk"])
    )


def _risks(entry: dict[str, Any], heard: Heard, result: Result, lead_s: float) -> None:
    surges = heard.intervals.get("surge", [])
    every = surges + heard.intervals.get("low_cell", [])
    long = [(a, b) for a, b in entry["risk"] if b - a >= 600]
    result.risks = len(long)
    result.risks_seen = sum(
        any(raised <= b and cleared >= a for raised, cleared in every) for a, b in long
    )
    result.false_risks = sum(
        not any(a - lead_s <= raised <= b for a, b in entry["risk"])
        for raised, _ in surges
    )


def share(part: int, whole: int) -> str:
    """Return *part* of *whole* with its percentage."""
    return f"{part}/{whole}" + (f" ({100 * part / whole:.0f} %)" if whole else "")


def lines(results: list[Result]) -> list[str]:
    """Return the table of a set, by kind of cut-off."""
    hours = sum(result.hours for result in results)
    out = [f"{len(results)} traces, {hours:.0f} h"]
    for kind in KINDS:
        cutoffs = [c for r in results for c in r.cutoffs if c.kind == kind]
        false = sum(len(r.false_s.get(kind, [])) for r in results)
        rate = false / hours * 720 if hours else 0.0
        out.append(f"{kind}: {len(cutoffs)} cut-offs, {false} false pre-warnings")
        out[-1] += f" ({rate:.1f} per 30 days)"
        if not cutoffs:
            continue
        words = [
            f"{word} {share(sum(c.word == word for c in cutoffs), len(cutoffs))}"
            for word in ("in window", "late", "missed", "early", "false early")
        ]
        leads = sorted(c.lead_min for c in cutoffs if c.lead_min is not None)
        out.append("  " + ", ".join(words))
        if leads:
            ends = f"{leads[0]:.1f} / {median(leads):.1f} / {leads[-1]:.1f} min"
            out.append(f"  lead, least / median / most: {ends}")
        out += _more_lines(kind, cutoffs)
        out += [_tau_line(cutoffs, tau) for tau in TAUS_MIN]
    seen, risks = sum(r.risks_seen for r in results), sum(r.risks for r in results)
    false_risks = sum(r.false_risks for r in results)
    out.append(f"risk intervals seen {share(seen, risks)}, false {false_risks}")
    return out


def _more_lines(kind: str, cutoffs: list[Judged]) -> list[str]:
    if kind == "high_cell":
        before = sum(c.is_inhibited for c in cutoffs)
        return [f"  charge permit dropped before: {share(before, len(cutoffs))}"]
    steady = [c for c in cutoffs if c.is_steady]
    good = sum(c.word == "in window" for c in steady)
    return [f"  where the load held for 25 min: in window {share(good, len(steady))}"]


def _tau_line(cutoffs: list[Judged], tau: int) -> str:
    asked = [c for c in cutoffs if not c.is_burst and tau in c.errors_min]
    errors = [abs(error) for c in asked if (error := c.errors_min[tau]) is not None]
    if not errors:
        return f"  at {tau} min: nothing to judge"
    inside = sum(c.in_band.get(tau, False) for c in asked)
    worst = sorted(errors)[min(len(errors) - 1, int(0.9 * len(errors)))]
    return (
        f"  at {tau} min: median error {median(errors):.1f} min, nine in ten under "
        f"{worst:.1f}, none foreseen {len(asked) - len(errors)}, in band "
        f"{share(inside, len(asked))}"
    )


def kind_lines(results: list[Result]) -> list[str]:
    """Return one line a kind of trace."""
    out = list[str]()
    for kind in dict.fromkeys(r.kind for r in results):
        mine = [r for r in results if r.kind == kind]
        cutoffs = [c for r in mine for c in r.cutoffs]
        good = sum(c.word == "in window" for c in cutoffs)
        words = ", ".join(
            f"{c.kind} {c.word}"
            + ("" if c.lead_min is None else f" {c.lead_min:.1f}")
            + (" burst" if c.is_burst else "")
            for c in cutoffs
            if c.word != "in window"
        )
        false = sum(len(each) for r in mine for each in r.false_s.values())
        out.append(
            f"{kind:15} in window {share(good, len(cutoffs)):12} false {false}  {words}"
        )
    return out
