"""A fresher forecast is no vaguer than the one before it, or it says why.

With nothing new but time gone by, every future ends that much sooner and the band stays
as wide as it was. What may widen it is named; without such a cause it is not widened.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

from tocsin.core.forecast.result import FAR_MS, Forecast

if TYPE_CHECKING:
    from collections.abc import Iterator

ROUNDING_MS = 1_000
LOAD_MOVED = 0.01
"""Of the mean load: a larger change is a change."""
UNSTEADY = 0.05
"""What flows now is so much of the mean away from it."""
BECAUSE = "the band is wider than before: "


@dataclass(frozen=True, slots=True)
class News:
    """What is new since the last look ahead.

    Attributes:
        mean_a, now_a: What is drawn on the mean, and at this moment.
        is_stepped: The load climbed or fell over a level.
        is_fitted: Hypotheses were weighed anew.
        is_seen: A newer piece of the curve, or of the temperature, is there.
    """

    mean_a: float
    now_a: float
    is_stepped: bool
    is_fitted: bool
    is_seen: bool


def width_ms(told: Forecast) -> float | None:
    """Return late less early: infinite where late has no end, None where not known."""
    if told.early_ms is None or told.late_ms is None or told.likely_ms is None:
        return None
    if told.late_ms < FAR_MS:
        return float(told.late_ms - told.early_ms)
    return 0.0 if told.early_ms >= FAR_MS else float("inf")


def explained(new: Forecast, old: Forecast | None, news: News) -> Forecast:
    """Return *new* with the cause for which it is wider than *old*, or no wider."""
    before = None if old is None else width_ms(old)
    now = width_ms(new)
    if old is None or before is None or now is None or now <= before + ROUNDING_MS:
        return new
    cause = next(_causes(new, old, news), "")
    if cause:
        return replace(new, reason=BECAUSE + cause)
    return _narrowed(new, round(before))


def _causes(new: Forecast, old: Forecast, news: News) -> Iterator[str]:
    least = LOAD_MOVED * abs(news.mean_a)
    if new.part != old.part:
        yield "another one comes first"
    if old.likely_ms is not None and old.likely_ms >= FAR_MS:
        yield "an end has come in sight"
    elif new.likely_ms is not None and new.likely_ms >= FAR_MS:
        yield "no end is in sight any more"
    if news.is_stepped:
        yield "the load has stepped"
    if new.drawn_ma is not None and old.drawn_ma is not None:
        if abs(new.drawn_ma - old.drawn_ma) > 1_000 * least:
            yield "the mean load has changed"
        if abs(news.now_a - news.mean_a) > UNSTEADY * abs(news.mean_a):
            yield "the load is not steady"
    if news.is_fitted:
        yield "its hypotheses were weighed anew"
    if news.is_seen:
        yield "a newer piece of its curve was seen"


def _narrowed(told: Forecast, width: int) -> Forecast:
    early_ms, likely_ms = told.early_ms or 0, told.likely_ms or 0
    late_ms = max(likely_ms, early_ms + width)
    return replace(told, early_ms=max(early_ms, late_ms - width), late_ms=late_ms)
