"""What the bank as a whole has done: charge returned, last full, shared current."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

from tocsin.core.rules import Measure

if TYPE_CHECKING:
    from collections.abc import Sequence

    from tocsin.core.measures import PackState
    from tocsin.core.site import Site

MA_MS_PER_MAH = 3_600_000


@dataclass(frozen=True, slots=True, kw_only=True)
class BankState:
    """Attributes in ms, and milliampere times ms.

    Attributes:
        returned_ma_ms: Net charge since the last stage was shed, never below zero.
        full_ms: When the last full charge was; at first, when we started counting.
        filling_ms: Since when the bank looks full; None if it does not.
        silenced_ms, silenced_until_ms: Alarms raised before the first make no sound
            until the second.
        reset_ms: When a person last released a latch.
        net_ma_ms: Net charge since the start, of either sign.
        sounder_test_ms: When a person last tried the horn; None if never.
        generator_until_ms: Until when a person asks for the generator.
        proof_due_ms: When the next proof test is due; None if none was ever recorded.
    """

    returned_ma_ms: int = 0
    full_ms: int = 0
    filling_ms: int | None = None
    silenced_ms: int = -1
    silenced_until_ms: int = 0
    reset_ms: int = -1
    net_ma_ms: int = 0
    sounder_test_ms: int | None = None
    generator_until_ms: int = 0
    proof_due_ms: int | None = None


def counted(bank: BankState, old: PackState, new: PackState, site: Site) -> BankState:
    """Return the bank after one pack's current was counted since its last reading.

    Packs in series carry the same current, so each counts for its part of a string.
    A gap longer than the stale time counts nothing: what flowed then is unknown.
    """
    sample, before = new.sample, old.sample
    if sample is None or before is None or sample.current_ma is None:
        return bank
    lasted_ms = new.heard_ms - old.heard_ms
    if lasted_ms > site.timing.stale_ms:
        return bank
    in_series = len(site.bank.packs) // len(site.bank.strings)
    gained = sample.current_ma * lasted_ms // in_series
    return replace(
        bank,
        returned_ma_ms=max(0, bank.returned_ma_ms + gained),
        net_ma_ms=bank.net_ma_ms + gained,
    )


def is_charge_back(bank: BankState, site: Site) -> bool:
    """Return True once enough charge was returned to let a load stage come back."""
    wanted_mah = site.bank.total_capacity_mah * site.timing.restore_permille // 1_000
    return bank.returned_ma_ms >= wanted_mah * MA_MS_PER_MAH


def filled(bank: BankState, site: Site, at_ms: int, *, are_full: bool) -> BankState:
    """Return the bank after looking whether every pack looks full, and for how long."""
    if not are_full:
        return replace(bank, filling_ms=None) if bank.filling_ms is not None else bank
    since_ms = at_ms if bank.filling_ms is None else bank.filling_ms
    if at_ms - since_ms < site.chemistry.full_hold_ms:
        return replace(bank, filling_ms=since_ms)
    enough = site.bank.total_capacity_mah * MA_MS_PER_MAH
    return replace(
        bank,
        filling_ms=since_ms,
        full_ms=at_ms,
        returned_ma_ms=max(bank.returned_ma_ms, enough),
    )


def looks_full(pack: PackState, site: Site) -> bool:
    """Return True while a pack looks full: high cells, small current."""
    sample = pack.sample
    if not pack.online or sample is None or sample.current_ma is None:
        return False
    high_mv = max(sample.cells_mv, default=sample.high_cell_mv or 0)
    tail_ma = site.bank.capacity_mah * site.chemistry.full_tail_permille // 1_000
    return high_mv >= site.chemistry.full_cell_mv and 0 <= sample.current_ma <= tail_ma


def string_currents_ma(packs: Sequence[PackState], site: Site) -> dict[str, int] | None:
    """Return each string's current, or None while one of them is not known."""
    sums: dict[str, list[int]] = {name: [] for name in site.bank.strings}
    for pack, state in zip(site.bank.packs, packs, strict=True):
        sample = state.sample
        if not state.online or sample is None or sample.current_ma is None:
            return None
        sums[pack.string].append(sample.current_ma)
    return {name: sum(each) // len(each) for name, each in sums.items()}


def net_ma(packs: Sequence[PackState], site: Site) -> int | None:
    """Return the current into the whole bank, negative out of it; None if unknown."""
    currents = string_currents_ma(packs, site)
    return None if currents is None else sum(currents.values())


def lowest_soc_permille(packs: Sequence[PackState]) -> int | None:
    """Return the lowest state of charge that a pack says; None if one says none."""
    said = [None if p.sample is None else p.sample.soc_permille for p in packs]
    known = [soc for soc in said if soc is not None]
    return min(known) if known and len(known) == len(said) else None


def lowest_cell_mv(packs: Sequence[PackState]) -> int | None:
    """Return the bank's lowest cell; None if a pack says none."""
    lows = [
        min(p.sample.cells_mv, default=p.sample.low_cell_mv) if p.sample else None
        for p in packs
    ]
    known = [low for low in lows if low is not None]
    return min(known) if known and len(known) == len(lows) else None


def discharge_ma(packs: Sequence[PackState], site: Site) -> int | None:
    """Return the current drawn from the whole bank, a magnitude; None if unknown."""
    current_ma = net_ma(packs, site)
    return None if current_ma is None else max(0, -current_ma)


def bank_value(what: Measure, bank: BankState, at_ms: int) -> int | None:
    """Return *what* of the bank, for every measure whose scope is the bank."""
    if what is Measure.PROOF_OVERDUE:
        return None if bank.proof_due_ms is None else at_ms - bank.proof_due_ms
    return at_ms - bank.full_ms
