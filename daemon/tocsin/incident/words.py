"""An incident in words: what tripped, which cell, why, how long the warning was."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import UTC, datetime
from typing import TYPE_CHECKING

from tocsin.core.forecast import FAR_MS
from tocsin.incident.evidence import (
    acted,
    extreme,
    flowing_ma,
    forecasts,
    others,
    sooner,
)
from tocsin.incident.find import Grade

if TYPE_CHECKING:
    from datetime import tzinfo

    from tocsin.incident.evidence import Case

PARTS = {"low": "cell", "high": "cell", "cold": "sensor", "hot": "sensor"}

EPOCH_MS = 10**11
"""Times below are of a trace that counts from zero, not times of day."""


@dataclass(frozen=True, slots=True)
class Times:
    """How times are said: of day in *zone*, or seconds of a trace."""

    zone: tzinfo | None
    is_day: bool

    def full(self, at_ms: int) -> str:
        """Return date, time to the second and offset from UTC."""
        if not self.is_day:
            return f"{self.clock(at_ms)} of the trace"
        return self._moment(at_ms).isoformat(sep=" ", timespec="seconds")

    def clock(self, at_ms: int) -> str:
        """Return the time to the second."""
        if self.is_day:
            return f"{self._moment(at_ms):%H:%M:%S}"
        sign, rest = ("-", -at_ms) if at_ms < 0 else ("", at_ms)
        seconds = rest // 1000
        return f"{sign}{seconds // 3600}:{seconds // 60 % 60:02d}:{seconds % 60:02d}"

    def tick(self, at_ms: int, step_ms: int) -> str:
        """Return the time for an axis with steps of *step_ms*."""
        text = self.clock(at_ms)
        return text if step_ms % 60_000 else text[:-3]

    def _moment(self, at_ms: int) -> datetime:
        # Cut, not rounded: the journal's milliseconds begin with the same second.
        moment = datetime.fromtimestamp(at_ms // 1000, tz=UTC)
        return moment.astimezone(self.zone)


LEAST_DRAWN_MA = 5_000
BEFORE_MS = 5_000


def spoken(time_ms: int) -> str:
    """Return a duration as people say it."""
    seconds = time_ms // 1000
    if seconds < 60:  # noqa: PLR2004
        return f"{seconds} s"
    if seconds < 3_600:  # noqa: PLR2004
        return f"{seconds // 60} min {seconds % 60} s"
    return f"{seconds // 3600} h {seconds // 60 % 60} min"


def where(case: Case) -> str:
    """Return the cell or sensor, and the pack."""
    if case.part:
        return f"{PARTS.get(case.side, 'part')} {case.part} of pack {case.pack}"
    return f"pack {case.pack}"


def headline(case: Case, times: Times) -> str:
    """Return what happened and when, one sentence."""
    main = case.incident.main
    at = times.clock(main.at_ms)
    what = {
        Grade.CUT_OFF: f"The protection of pack {case.pack} cut the loads off",
        Grade.REFUSED: f"The protection of pack {case.pack} refused charge",
        Grade.SHED: f"Tocsin shed loads ({_outputs(case, Grade.SHED)})",
        Grade.INHIBITED: "Tocsin inhibited charging",
        Grade.LOST: f"The readings of pack {main.subject} were lost",
        Grade.WARNED: f"Tocsin raised the alarm {' '.join(main.causes)}",
    }[main.grade]
    return f"{what} at {at}."


def why(case: Case) -> str:
    """Return which cell or sensor it was, and what stood behind it."""
    main = case.incident.main
    if main.grade is Grade.LOST:
        return f"Reason given: {main.told.detail['reason'] or 'none'}."
    parts: list[str] = []
    found = extreme(case, main.at_ms)
    if found is not None:
        part, value = found
        is_temp = case.side in {"cold", "hot"}
        word = {"low": "lowest", "high": "highest", "cold": "coldest", "hot": "hottest"}
        kind = "Sensor" if is_temp else "Cell"
        shown = f"{value / 10:.1f} degC" if is_temp else f"{value / 1000:.3f} V"
        rank = word.get(case.side, "lowest")
        parts.append(f"{kind} {part} of pack {case.pack}, the {rank}, was at {shown}")
        # What acts cuts the current in the same reading: the one before says more.
        current_ma = case.at(case.pack, "current", main.at_ms - BEFORE_MS)
        if current_ma is not None:
            flow = "took" if current_ma > 0 else "gave"
            amps = f"{abs(current_ma) / 1000:.1f} A"
            parts[-1] += f"; {BEFORE_MS // 1000} s before, the pack {flow} {amps}"
        parts[-1] += "."
    if found is not None:
        parts += _among_others(case, *found)
    parts += _behind(case)
    return " ".join(parts)


WEAK_MV = 100
"""From so much below or above all others on, one cell ended it, not the bank."""


def _among_others(case: Case, part: str, value: int) -> list[str]:
    rest = others(case, part, case.incident.main.at_ms)
    if rest is None:
        return []
    low, high = rest
    if case.side in {"cold", "hot"}:
        return [f"The other sensors read {low / 10:.1f} to {high / 10:.1f} degC."]
    text = f"The other cells were at {low / 1000:.3f} to {high / 1000:.3f} V"
    if value <= low - WEAK_MV or value >= high + WEAK_MV:
        text += ": this one cell ended it, not the bank"
    return [f"{text}."]


def _behind(case: Case) -> list[str]:
    """Say which rule acted and what is likely behind it."""
    main, document = case.incident.main, case.rules.document
    if main.grade in {Grade.CUT_OFF, Grade.REFUSED}:
        limit = {
            "low": f"{document['low_cell_v']:g} V",
            "high": f"{document['high_cell_v']:g} V",
            "cold": f"{document['cold_charge_c']:g} degC",
        }.get(case.side)
        return [] if limit is None else [f"The site file puts that limit at {limit}."]
    rule = next((r for name in main.causes if (r := case.rules.of(name))), None)
    if rule is None:
        return []
    at = f"{rule['rule']} ({rule['measure']} at {rule['trip']:g} {rule['unit']}"
    delay = f" for {rule['delay_s']:g} s)" if rule["delay_s"] else ")"
    return [f"The rule behind it is {at}{delay}.", f"Likely: {rule['cause']}"]


def followed(case: Case, times: Times) -> str:
    """Return what else the protections did afterwards; empty if nothing."""
    main = case.incident.main
    later = [
        f"that of pack {t.subject.partition('/')[0]} at {times.clock(t.at_ms)}"
        for t in case.incident.triggers
        if t.grade is main.grade
        and t.grade in {Grade.CUT_OFF, Grade.REFUSED}
        and t is not main
    ]
    return f"Then followed {', '.join(later)}." if later else ""


def warned(case: Case, times: Times) -> str:
    """Return how long the warning was."""
    main, first = case.incident.main, case.warning
    if main.grade is Grade.LOST:
        return "Nothing can warn of a lost source; the charge permit falls at once."
    if first is None:
        return "There was no warning before it."
    lead_ms = main.at_ms // 1000 * 1000 - first.from_ms // 1000 * 1000
    at = times.clock(first.from_ms)
    if not lead_ms:
        return f"The first alarm about it, {first.name}, was raised in the same moment."
    said = f"The first warning, {first.name}, was raised at {at}"
    return f"{said}: {spoken(lead_ms)} before."


def reacted(case: Case, times: Times) -> str:
    """Return what people did, and how soon."""
    first = acted(case)
    if first is None:
        return "Nobody acknowledged or asked for anything while it went on."
    said = first.detail
    begun_ms = case.from_ms if case.warning is None else case.warning.from_ms
    after = spoken(max(0, first.at_ms - begun_ms))
    return (
        f"The first person to act was {said['by']}: {said['verb']} at "
        f"{times.clock(first.at_ms)}, {after} after the first warning."
    )


def came(case: Case) -> str:
    """Return whether there is an end to hold the forecast against."""
    if case.cut_ms is None:
        return (
            "The limit of the battery's own protection was not reached while anything "
            "was recorded, so there is no end to hold the forecast against."
        )
    if not forecasts(case):
        return "No forecast was kept from before it."
    return (
        "A forecast holds for the load and the weather it was made in: who switches "
        "something on later is not foreseen."
    )


def foretold(seconds: int) -> str:
    """Return a time of a forecast in words."""
    return "more than a day" if seconds * 1000 >= FAR_MS else spoken(seconds * 1000)


def more_time(case: Case) -> list[str]:
    """Return what would have given more time, a sentence each."""
    if case.incident.main.grade is Grade.LOST:
        return ["A second, independent source of the same pack would have gone on."]
    than = "first warning" if case.warning is not None else "event"
    said = [f"{what}: {spoken(gain)} before the {than}." for what, gain in sooner(case)]
    if case.side == "low":
        said += _unshed(case)
    if not said:
        said.append(
            "Nothing that the recorded values can show: no plain limit moved by a step "
            "would have been passed earlier."
        )
    return said


def _unshed(case: Case) -> list[str]:
    """Say which loads were still on at the cut-off."""
    if case.cut_ms is None:
        return []
    loads = [o for o in case.rules.document["outputs"] if o["role"] == "load-permit"]
    on = [
        o["output"]
        for o in loads
        if not any(s.name == o["output"] and s.is_at(case.cut_ms) for s in case.outputs)
    ]
    if not loads:
        return ["No output sheds loads: a load permit would have bought time."]
    if on:
        return [f"Loads still permitted when the limit was reached: {', '.join(on)}."]
    drawn_ma = -flowing_ma(case, case.cut_ms - 1_000)
    if drawn_ma >= LEAST_DRAWN_MA:
        flow = (
            f"Every load permit was withheld and {drawn_ma / 1000:.0f} A still flowed"
        )
        return [f"{flow}: what drew them hangs on no output that Tocsin can drop."]
    return []


def _outputs(case: Case, grade: Grade) -> str:
    names = [
        t.told.detail["output"] for t in case.incident.triggers if t.grade is grade
    ]
    return ", ".join(dict.fromkeys(names))
