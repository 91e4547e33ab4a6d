"""Lead times on paper, as words and tables for a person and as JSON for a program."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from tocsin.core.paper import CHARGES, LOADS, TEMPS_C, Side, rounded_down
from tocsin.core.rules import Unit

if TYPE_CHECKING:
    from collections.abc import Iterator

    from tocsin.core.paper import Lead, LeadTimes, Paper
    from tocsin.core.site import Site

HEAD = ("limit", "trip", "least", "median", "most", "least at")
UNITS = {Side.LOW: ("min", 60.0), Side.HIGH: ("s", 1.0)}
"""What people read a lead in, and how many seconds that is."""

FEW = 3
"""So many cases that do not count are named."""

NO_CURVE = "no open-circuit curve is published for {}, so no lead times on paper"

BASIS = """\
One cell at constant current and temperature, new and aged (80 % capacity, twice the
resistance), from data published of an LFP cell (Naumann et al. 2018). Yours differs."""


def as_json(site: Site, paper: Paper) -> dict[str, Any]:
    """Return the lead times as an object; minutes on the low side, seconds high."""
    return {
        "lead_min": site.lead_ms / 60_000,
        "low_cell_v": Unit.MV.shown(site.low_cut_mv),
        "high_cell_v": Unit.MV.shown(site.high_cut_mv),
        "limits": [_limit(limit, site) for limit in paper.limits],
        "not_carried": [_case(lead, Side.LOW) for lead in paper.uncarried],
        "not_worked_out": [rule.name for rule in paper.unknown],
    }


def _limit(limit: LeadTimes, site: Site) -> dict[str, Any]:
    unit, size_s = UNITS[limit.side]
    ranked = limit.carried
    is_short = limit.side is Side.LOW and limit.shorter_than(site.lead_ms / 1_000)
    return {
        "rule": limit.rule.name,
        "side": limit.side.value,
        "unit": unit,
        "trip_v": Unit.MV.shown(limit.rule.trip_at),
        "delay_s": limit.rule.on_delay_ms / 1_000,
        "least": _case(ranked[0], limit.side) if ranked else None,
        "median": round(limit.median_s / size_s, 2) if ranked else None,
        "most": _case(ranked[-1], limit.side) if ranked else None,
        "short": bool(is_short),
        "cases": [_case(lead, limit.side) for lead in limit.leads],
    }


def _case(lead: Lead, side: Side) -> dict[str, Any]:
    unit, size_s = UNITS[side]
    return {
        "rate_c": lead.case.rate,
        "temp_degc": lead.case.temp_c,
        "aged": lead.case.is_aged,
        "carried": lead.is_carried,
        unit: round(lead.seconds / size_s, 2),
    }


def heading(side: Side, site: Site) -> str:
    """Return what the table or the picture of *side* shows."""
    if side is Side.LOW:
        what, cut_mv = "Minutes", site.low_cut_mv
        flows = f"loads of {LOADS[0]:g} to {LOADS[-1]:g}C"
    else:
        what, cut_mv = "Seconds", site.high_cut_mv
        flows = f"charged at {CHARGES[0]:g} to {CHARGES[-1]:g}C"
    cut = Unit.MV.text(cut_mv)
    return f"{what} from each limit to the protector's cut-off at {cut}, {flows}"


def trip_words(limit: LeadTimes) -> str:
    """Return limit and delay, as in ``3.100 V for 60 s``."""
    delay_s = limit.rule.on_delay_ms / 1_000
    return f"{Unit.MV.text(limit.rule.trip_at)} for {delay_s:g} s"


def summary(side: Side, paper: Paper) -> Iterator[tuple[str, ...]]:
    """Give a row of words for each limit of *side*."""
    size_s = UNITS[side][1]
    for limit in paper.limits:
        if limit.side is not side:
            continue
        ranked, name, trip = limit.carried, limit.rule.name, trip_words(limit)
        if not ranked:
            yield name, trip, "-", "-", "-", "no case lasts for the lead"
            continue
        values = (ranked[0].seconds, limit.median_s, ranked[-1].seconds)
        least, middle, most = (rounded_down(value / size_s) for value in values)
        yield name, trip, least, middle, most, ranked[0].case.words


def notes(paper: Paper) -> Iterator[str]:
    """Give what a reader of the tables must know besides."""
    if paper.uncarried:
        told = "; ".join(
            f"{lead.case.words} ({rounded_down(lead.seconds / 60)} min)"
            for lead in paper.uncarried[:FEW]
        )
        more = len(paper.uncarried) - FEW
        others = f" and {more} more" if more > 0 else ""
        yield f"Not counted, as a full cell does not last the lead: {told}{others}."
    for rule in paper.unknown:
        waits = "" if rule.gate is None else f"; it waits for {rule.gate.measure}"
        yield f"Not worked out: {rule.name}{waits}."
    yield BASIS


def whole(limit: LeadTimes) -> Iterator[tuple[str, ...]]:
    """Give every case of *limit*: a row a temperature and age, a column a current.

    What is not counted stands in brackets.
    """
    unit, size_s = UNITS[limit.side]
    rates = LOADS if limit.side is Side.LOW else CHARGES
    yield (f"{limit.rule.name}, {unit}", "cell", *(f"{rate:g}C" for rate in rates))
    cells = {lead.case: _number(lead, size_s) for lead in limit.leads}
    for temp_c in TEMPS_C:
        for is_aged in (False, True):
            row = [
                words
                for case, words in cells.items()
                if (case.temp_c, case.is_aged) == (temp_c, is_aged)
            ]
            if row:
                yield (f"{temp_c:g} degC", "aged" if is_aged else "new", *row)


def _number(lead: Lead, size_s: float) -> str:
    number = rounded_down(lead.seconds / size_s)
    return number if lead.is_carried else f"({number})"
