"""What was measured around an incident, and what could have been known sooner."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

from tocsin.core.rules import Measure
from tocsin.history import HistoryError, reader
from tocsin.incident.find import Grade, first_warning, side_of
from tocsin.incident.story import Rules, Span, Told, alarm_spans, output_spans

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence
    from pathlib import Path

    from tocsin.history.reader import Series
    from tocsin.incident.find import Incident

BEFORE_MS, AFTER_MS = 1_200_000, 900_000
"""So much is shown before the first warning and after the last trigger."""

LEAST_BEFORE_MS = 2_400_000
LONGEST_MS = 21_600_000
DAY_MS = 86_400_000
POINTS = 700
MARGIN_MS = 15_000
LOOK_MS = 5_000
"""A reading this old still counts as that of an event."""


@dataclass(frozen=True, slots=True)
class Records:
    """What there is to make reports of.

    Attributes:
        told: Facts, in order.
        rules: The limits in force then.
        folder: Where the history lies; None to do without samples.
    """

    told: Sequence[Told]
    rules: Rules
    folder: Path | None

    def around(self, incident: Incident) -> list[Told]:
        """Return the facts from a day before *incident* to a day after it."""
        from_ms, to_ms = incident.from_ms - DAY_MS, incident.to_ms + DAY_MS
        return [one for one in self.told if from_ms <= one.at_ms <= to_ms]


@dataclass(frozen=True, slots=True, kw_only=True)
class Case:
    """Everything a report is made of. Times are ms since 1970, or of a trace.

    Attributes:
        told: The facts from *from_ms* to *to_ms*.
        history: By pack and name; packs without samples are missing.
        side: Which danger it was about, a key of `SIDES`; may be empty.
        pack, part: Where; *part* is "" where no single cell or sensor stands out.
        warning: The first alarm that led up to it.
        cut_ms: When the protection acted, or else its limit was reached; None if it
            was not, or nobody saw it.
    """

    incident: Incident
    rules: Rules
    told: tuple[Told, ...]
    alarms: tuple[Span, ...]
    outputs: tuple[Span, ...]
    history: Mapping[str, Mapping[str, Series]]
    side: str
    pack: str
    part: str
    warning: Span | None
    from_ms: int
    to_ms: int
    cut_ms: int | None

    def at(self, pack: str, name: str, at_ms: int) -> int | None:
        """Return the newest mean at *at_ms*, if it is no older than a gap."""
        one = self.history.get(pack, {}).get(name)
        if one is None:
            return None
        before = [p for p in one.points if p.at_ms <= at_ms]
        if not before or at_ms - before[-1].at_ms > max(one.gap_ms, LOOK_MS):
            return None
        return before[-1].mean

    def named(self, prefix: str) -> dict[str, Series]:
        """Return the series of the incident's pack whose name begins so."""
        of = self.history.get(self.pack, {})
        return {name: s for name, s in of.items() if name.partition("/")[0] == prefix}


def case_of(incident: Incident, records: Records) -> Case:
    """Gather what belongs to *incident*.

    Samples that are not there leave plots out, never the report.
    """
    told, rules = records.around(incident), records.rules
    side = side_of(incident, rules, told)
    warning = first_warning(incident, rules, told)
    main = incident.main
    begun_ms = min(incident.from_ms, main.at_ms if warning is None else warning.from_ms)
    from_ms = min(begun_ms - BEFORE_MS, incident.from_ms - LEAST_BEFORE_MS)
    from_ms = max(from_ms, main.at_ms - LONGEST_MS)
    to_ms = min(incident.to_ms + AFTER_MS, main.at_ms + LONGEST_MS)
    pack, _, part = main.subject.partition("/")
    if not part and warning is not None:
        part = warning.subject.partition("/")[2]
    history = _history(records.folder, from_ms, to_ms)
    from_ms, to_ms = _covered(history, told, (from_ms, begun_ms), to_ms)
    case = Case(
        incident=incident,
        rules=rules,
        told=tuple(one for one in told if from_ms <= one.at_ms <= to_ms),
        alarms=_within(alarm_spans(told), from_ms, to_ms),
        outputs=_within(output_spans(told), from_ms, to_ms),
        history=history,
        side=side,
        pack=pack if pack in history else next(iter(history), pack),
        part=part,
        warning=warning,
        from_ms=from_ms,
        to_ms=to_ms,
        cut_ms=None,
    )
    return _with_cut(case)


def extreme(case: Case, at_ms: int) -> tuple[str, int] | None:
    """Return the worst cell or sensor of the incident's pack at a time, and its value.

    The lowest cell, or the highest, coldest or hottest sensor, as the danger says.
    """
    prefix = "temp" if case.side in {"cold", "hot"} else "cell"
    known = {
        name.partition("/")[2]: value
        for name in case.named(prefix)
        if (value := case.at(case.pack, name, at_ms)) is not None
    }
    if not known:
        return None
    pick = max if case.side in {"high", "hot"} else min
    part = pick(known, key=lambda one: known[one])
    return part, known[part]


def others(case: Case, part: str, at_ms: int) -> tuple[int, int] | None:
    """Return the least and largest of the pack's other cells or sensors at a time."""
    prefix = "temp" if case.side in {"cold", "hot"} else "cell"
    known = [
        value
        for name in case.named(prefix)
        if name.partition("/")[2] != part
        and (value := case.at(case.pack, name, at_ms)) is not None
    ]
    return (min(known), max(known)) if known else None


def flowing_ma(case: Case, at_ms: int) -> int:
    """Return the current of all packs at a time, those that are known."""
    found = (case.at(pack, "current", at_ms) for pack in case.history)
    return sum(value for value in found if value is not None)


def forecasts(case: Case) -> list[tuple[int, tuple[int, int, int], int]]:
    """Return forecasts and what came: (at_ms, (early, likely, late) in s, real_ms).

    As the first warning came, as the forecast's own alarm did, and half of the wanted
    lead before the end. Empty where the limit was not reached or nothing was foretold.
    """
    of = case.history.get(case.pack, {})
    if case.cut_ms is None or f"{case.side}-likely" not in of:
        return []
    foretelling = SIDE_FORECAST.get(case.side)
    wanted = [case.cut_ms - round(case.rules.document["lead_min"] * 30_000)]
    wanted += [] if case.warning is None else [case.warning.from_ms]
    wanted += [
        span.from_ms
        for span in case.alarms
        if span.pack == case.pack and case.rules.measure(span.name) is foretelling
    ][:1]
    found: list[tuple[int, tuple[int, int, int], int]] = []
    for at_ms in sorted(set(wanted)):
        bounds = [
            case.at(case.pack, f"{case.side}-{bound}", at_ms)
            for bound in ("early", "likely", "late")
        ]
        early, likely, late = bounds
        if early is None or likely is None or late is None or at_ms >= case.cut_ms:
            continue
        found.append((at_ms, (early, likely, late), case.cut_ms - at_ms))
    return found


def sooner(case: Case) -> list[tuple[str, int]]:
    """Return what would have warned sooner, and by how many ms; the most first.

    Plain limits only, and a longer lead of the forecast: both can be told from what
    was recorded. Delays are kept as they were.
    """
    first_ms = (
        case.incident.main.at_ms if case.warning is None else case.warning.from_ms
    )
    found = [*_sooner_limits(case, first_ms), *_sooner_lead(case, first_ms)]
    return sorted(found, key=lambda one: -one[1])


# --- inside -------------------------------------------------------------------------

STEP = {"low": 0.05, "high": -0.05, "cold": 1.0, "hot": -2.0}
"""By how much a limit is moved to see what it would have given."""

SIDE_FORECAST = {
    "low": Measure.LOW_CELL_TIME,
    "high": Measure.HIGH_CELL_TIME,
    "cold": Measure.COLD_TIME,
}

MEASURES = {
    "low": Measure.LOWEST_CELL,
    "high": Measure.HIGHEST_CELL,
    "cold": Measure.COLDEST,
    "hot": Measure.HOTTEST,
}
LEAST_GAIN_MS = 10_000


def _history(
    folder: Path | None, from_ms: int, to_ms: int
) -> dict[str, dict[str, reader.Series]]:
    if folder is None:
        return {}
    try:
        every = reader.names(folder)
        found = {
            pack: {
                one.name: one
                for one in reader.series(
                    folder,
                    pack,
                    names,
                    since_ms=from_ms,
                    until_ms=to_ms,
                    points=POINTS,
                )
                if one.points
            }
            for pack, names in every.items()
        }
    except HistoryError:
        return {}
    return {pack: of for pack, of in found.items() if of}


def _covered(
    history: Mapping[str, Mapping[str, Series]],
    told: Sequence[Told],
    begin: tuple[int, int],
    to_ms: int,
) -> tuple[int, int]:
    """Cut a span to what anything is known of; it begins before *begin*'s second."""
    from_ms, latest_ms = begin
    known = [one.at_ms for one in told if from_ms <= one.at_ms <= to_ms]
    for of in history.values():
        for one in of.values():
            known += [one.points[0].at_ms, one.points[-1].at_ms]
    if not known:
        return from_ms, to_ms
    return (
        max(from_ms, min(*known, latest_ms) - MARGIN_MS),
        min(to_ms, max(known) + MARGIN_MS),
    )


def _within(spans: Sequence[Span], from_ms: int, to_ms: int) -> tuple[Span, ...]:
    return tuple(
        span
        for span in spans
        if span.from_ms <= to_ms and (span.to_ms is None or span.to_ms >= from_ms)
    )


def _with_cut(case: Case) -> Case:
    """Return the case with the moment at which the protection's limit was reached."""
    document = case.rules.document
    main = case.incident.main
    at_ms = main.at_ms if main.grade in {Grade.CUT_OFF, Grade.REFUSED} else None
    limit, prefix, is_low = {
        "low": (document["low_cell_v"] * 1000, "cell", True),
        "high": (document["high_cell_v"] * 1000, "cell", False),
        "cold": (document["cold_charge_c"] * 10, "temp", True),
    }.get(case.side, (0.0, "", True))
    reached = [
        p.at_ms
        for one in (case.named(prefix) if prefix else {}).values()
        for p in one.points
        if p.at_ms >= case.incident.from_ms - LEAST_BEFORE_MS
        and (p.low <= limit if is_low else p.high >= limit)
    ]
    first_ms = min(reached, default=None)
    return replace(case, cut_ms=first_ms if at_ms is None else at_ms)


def _sooner_limits(case: Case, first_ms: int) -> list[tuple[str, int]]:
    measure, step = MEASURES.get(case.side), STEP.get(case.side, 0.0)
    found: list[tuple[str, int]] = []
    for rule in case.rules.on_side(case.side):
        if rule["measure"] != measure or (rule["trip"] < rule["clear"]) is not (
            step > 0
        ):
            continue
        moved = rule["trip"] + step
        at_ms = _first_beyond(case, moved, is_low=step > 0)
        if at_ms is None:
            continue
        gain_ms = first_ms - (at_ms + round(rule["delay_s"] * 1000))
        if gain_ms >= LEAST_GAIN_MS:
            unit = rule["unit"]
            words = (
                f"{rule['rule']} at {moved:g} {unit} instead of {rule['trip']:g} {unit}"
            )
            found.append((words, gain_ms))
    return found


def _first_beyond(case: Case, limit: float, *, is_low: bool) -> int | None:
    """Return since when a value was beyond *limit* without a break until the first."""
    prefix = "temp" if case.side in {"cold", "hot"} else "cell"
    series = case.named(prefix)
    if not series:
        return None
    size = next(iter(series.values())).kind.divisor
    worst: dict[int, float] = {}
    for one in series.values():
        for p in one.points:
            value = (p.low if is_low else p.high) / size
            was = worst.get(p.at_ms, value)
            worst[p.at_ms] = min(was, value) if is_low else max(was, value)
    since: int | None = None
    for at_ms in sorted(worst):
        if at_ms > case.incident.main.at_ms:
            break
        is_beyond = worst[at_ms] <= limit if is_low else worst[at_ms] >= limit
        since = (since or at_ms) if is_beyond else None
    return since


def _sooner_lead(case: Case, first_ms: int) -> list[tuple[str, int]]:
    """Say what twice the lead would have given, from the forecasts of then."""
    likely = case.history.get(case.pack, {}).get(f"{case.side}-likely")
    foretelling = SIDE_FORECAST.get(case.side)
    rule = next(
        (r for r in case.rules.on_side(case.side) if r["measure"] == foretelling), None
    )
    lead_min = case.rules.document["lead_min"]
    if likely is None or rule is None:
        return []
    share = rule["trip"] / lead_min
    since: int | None = None
    for p in likely.points:
        if p.at_ms > case.incident.main.at_ms:
            break
        since = (since or p.at_ms) if p.mean <= 2 * lead_min * share * 60 else None
    if since is None:
        return []
    gain_ms = first_ms - (since + round(rule["delay_s"] * 1000))
    if gain_ms < LEAST_GAIN_MS:
        return []
    words = f"lead_min = {2 * lead_min:g} instead of {lead_min:g} ({rule['rule']})"
    return [(words, gain_ms)]


def acted(case: Case) -> Told | None:
    """Return the first thing a person did after the first warning."""
    begun_ms = case.from_ms if case.warning is None else case.warning.from_ms
    return next(
        (one for one in case.told if one.kind == "command" and one.at_ms >= begun_ms),
        None,
    )
