"""From the tables of an output's wiring to circuits that the core can judge."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from tocsin.core.circuit import Circuit, Reliability, Supply, judge_all
from tocsin.core.circuit.copper import awg_mm2
from tocsin.core.circuit.pfd import HOURS_A_MONTH, HOURS_A_YEAR
from tocsin_config.circuit_models import AWG_NUMBERS, CircuitTable
from tocsin_config.presets import preset

if TYPE_CHECKING:
    from tocsin.core.circuit import Finding, Judged
    from tocsin.core.rules import Role
    from tocsin.core.site import Site
    from tocsin_config.circuit_models import ReliabilityTable
    from tocsin_config.findings import Findings
    from tocsin_config.models import SiteFile
    from tocsin_config.setup import Setup


@dataclass(frozen=True, slots=True, kw_only=True)
class BankVolts:
    """A bank as a circuit sees it.

    Attributes:
        low_v, high_v: At the protector's cut-offs.
        ohm: Of its cells, without any cable; None where the capacity is not known.
    """

    low_v: float
    high_v: float
    ohm: float | None


@dataclass(frozen=True, slots=True, kw_only=True)
class Wiring:
    """What a site file states of one output's wiring; None where it does not."""

    circuit: Circuit | None = None
    reliability: Reliability | None = None


def bank_volts(site: Site) -> BankVolts:
    """Return the range of the whole bank: packs in series make a string."""
    bank = site.bank
    strings = len(bank.strings)
    cells = sum(pack.cells for pack in bank.packs) / strings
    cell_mohm = site.chemistry.resistance_mohm_ah / (max(1, bank.capacity_mah) / 1_000)
    return BankVolts(
        low_v=cells * site.low_cut_mv / 1_000,
        high_v=cells * site.high_cut_mv / 1_000,
        ohm=cells * cell_mohm / 1_000 / strings,
    )


def usual_volts(chemistry: str, cells: int, capacity_ah: float | None) -> BankVolts:
    """Return the range of a bank of which only this is known: of its preset."""
    chosen = preset(chemistry)
    cell_ohm = chosen.cell.resistance_ohm_ah / capacity_ah if capacity_ah else None
    return BankVolts(
        low_v=cells * chosen.protector.low_cell_v,
        high_v=cells * chosen.protector.high_cell_v,
        ohm=None if cell_ohm is None else cells * cell_ohm,
    )


def judged(setup: Setup) -> tuple[tuple[Judged, ...], Finding | None]:
    """Return what is found of every output of a site, and of all pins together."""
    wiring = setup.wiring or (Wiring(),) * len(setup.site.outputs)
    return judge_all(
        (output.name, output.role, each.circuit, each.reliability)
        for output, each in zip(setup.site.outputs, wiring, strict=True)
    )


def tell_misfits(file: SiteFile, findings: Findings) -> None:
    """Tell what does not go together in the wiring of each output."""
    for i, table in enumerate(file.output):
        for key, wrong, right in misfits(table.circuit or CircuitTable()):
            findings.tell(
                ("output", i, "circuit", key),
                wrong,
                right,
                needs=[("output", i, "circuit")],
            )


def misfits(
    own: CircuitTable, *, is_bank_known: bool = True
) -> list[tuple[str, str, str]]:
    """Return (key, what is wrong, what would be right) of keys that clash."""
    found = []
    steady = own.supply is Supply.CONVERTER
    if own.awg is not None and own.area_mm2 is not None:
        found.append(("awg", "both awg and area_mm2", "one of them"))
    if steady and own.supply_v is None:
        found.append(("supply_v", "is missing", "the converter's volts, such as 12"))
    if is_bank_known and not steady and own.supply_v is not None:
        wrong = "only for a converter: the bank's volts follow from its cells"
        found.append(("supply_v", wrong, 'supply = "converter", or leave it out'))
    low, high = own.load_min_v, own.load_max_v
    if low is not None and high is not None and low >= high:
        wrong = f"works from {low:g} V, but only to {high:g} V"
        found.append(("load_min_v", wrong, "load_min_v below load_max_v"))
    found += [
        (key, "there is no relay here", "leave it out, or relay = true")
        for key in ("coil_v", "coil_ma", "flyback", "contact_form")
        if not own.relay and getattr(own, key) is not None
    ]
    return found


def build_wiring(file: SiteFile, site: Site, i: int) -> Wiring:
    """Return the wiring of output *i*."""
    table = file.output[i]
    stated = table.circuit
    return Wiring(
        circuit=None
        if stated is None
        else circuit(
            stated,
            bank_volts(site),
            role=table.role,
            pin=table.pin,
            is_active_low=table.active_low,
        ),
        reliability=None
        if table.reliability is None
        else _reliability(table.reliability),
    )


def circuit(
    own: CircuitTable,
    bank: BankVolts | None,
    *,
    role: Role | None,
    pin: str | None,
    is_active_low: bool,
) -> Circuit:
    """Return *own* as the core judges it; without a converter *bank* feeds it."""
    steady = own.supply is Supply.CONVERTER
    has_bank = bank is not None and not steady
    stated = own.model_dump(
        exclude={"awg", "area_mm2", "critical", "relay", "supply"},
    )
    return Circuit(
        **stated,
        role=role,
        pin=pin,
        is_active_low=is_active_low,
        supply=Supply.BANK if has_bank else own.supply,
        supply_low_v=bank.low_v if bank and has_bank else _steady(own),
        supply_high_v=bank.high_v if bank and has_bank else _steady(own),
        fault_ohm=bank.ohm if bank and has_bank else None,
        area_mm2=_area_mm2(own),
        is_critical=own.critical,
        has_relay=own.relay,
    )


def _steady(own: CircuitTable) -> float | None:
    return own.supply_v if own.supply is Supply.CONVERTER else None


def _area_mm2(own: CircuitTable) -> float | None:
    if own.awg is None:
        return own.area_mm2
    number = AWG_NUMBERS[own.awg] if own.awg in AWG_NUMBERS else int(own.awg)
    return awg_mm2(number)


def _reliability(own: ReliabilityTable) -> Reliability:
    return Reliability(
        parts=tuple(own.parts.items()),
        proof_test_h=own.proof_test_months * HOURS_A_MONTH,
        coverage=own.coverage_pct / 100,
        life_h=own.life_years * HOURS_A_YEAR,
    )
