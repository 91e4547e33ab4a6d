"""From samples to a tracker: what a pack must say for its future to be told."""

from __future__ import annotations

from typing import TYPE_CHECKING

from tocsin.core.forecast.curve import curve_of
from tocsin.core.forecast.design import Design
from tocsin.core.forecast.pack import Tracker

if TYPE_CHECKING:
    from tocsin.core.model import Sample
    from tocsin.core.site import Site


def tracked(
    old: Tracker | None, sample: Sample, at_ms: int, series: int, site: Site
) -> Tracker | None:
    """Return the tracker after *sample*; *old* itself stays as it was.

    A pack must say its current and its single cells, and its chemistry must have a
    published curve; otherwise nothing is known, and None says so.
    """
    cells = sample.cells_mv
    if not site.chemistry.curve or not cells or sample.current_ma is None:
        return None
    if old is None or len(old.cells) not in {0, len(cells)}:
        new = fresh(site, strings=max(1, len(cells) // (series or len(cells))))
    else:
        new = old.copied()
    charge = None if sample.soc_permille is None else sample.soc_permille / 1000
    new.hear(
        at_ms / 1000,
        sample.current_ma / 1000,
        [cell_mv / 1000 for cell_mv in cells],
        [temp_dc / 10 for temp_dc in sample.temps_dc],
        charge,
    )
    return new


def design(site: Site, *, strings: int = 1) -> Design:
    """Return what a tracker is told of a pack with so many strings inside."""
    chemistry, charger_mv = site.chemistry, site.charger_mv
    return Design(
        curve=curve_of(chemistry.rested),
        nameplate_ah=site.bank.capacity_mah / 1000,
        ohm_ah=chemistry.resistance_mohm_ah / 1000,
        low_v=site.low_cut_mv / 1000,
        high_v=site.high_cut_mv / 1000,
        cold_c=site.cold_charge_dc / 10,
        hot_c=_degrees(site.hot_charge_dc),
        hot_load_c=_degrees(site.hot_load_dc),
        lead_s=site.lead_ms / 1000,
        charger_v=None if charger_mv is None else charger_mv / 1000 * strings,
    )


def _degrees(temp_dc: int | None) -> float | None:
    return None if temp_dc is None else temp_dc / 10


def fresh(site: Site, *, strings: int = 1) -> Tracker:
    """Return a tracker that has seen nothing."""
    return Tracker.fresh(design(site, strings=strings))
