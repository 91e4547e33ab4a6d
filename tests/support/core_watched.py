"""A site with one watched rule, and whether a pack's words raise it."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

from core_builders import CHARGE, Player, output, reading, rule, site
from tocsin.core.model import Sample
from tocsin.core.rules import Measure, Role
from tocsin.core.site import Chemistry, Site

UNSAID = Sample()
GUARD = rule("guard", measure=Measure.COLDEST, trip_at=50, clear_at=60)
"""Makes a temperature something that a pack must say, once it acts on a permit."""

MAP = Chemistry(charge_map=((0, 50), (100, 160)))


def of(measure: Measure, trip_at: int, clear_at: int, **changes: Any) -> Site:
    watched = rule("watched", measure=measure, trip_at=trip_at, clear_at=clear_at)
    return site(
        replace(watched, **changes),
        replace(GUARD, actions=(CHARGE,)),
        outputs=[output("charge", Role.CHARGE_PERMIT)],
        chemistry=MAP,
    )


def raised(where: Site, *said: Sample, each_ms: int = 1_000) -> bool:
    player = Player(where)
    for i, what in enumerate(said):
        player.play(replace(reading(i * each_ms), sample=what))
    return player.alarm("watched") == "unacknowledged"
