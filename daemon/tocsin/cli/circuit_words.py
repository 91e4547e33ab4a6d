"""Circuits in words: each part as a person says it, and everything as JSON."""

from __future__ import annotations

from collections import Counter
from dataclasses import asdict
from typing import TYPE_CHECKING, Any

from tocsin.core.circuit import Circuit, Verdict, worst
from tocsin.core.circuit.contact import ACTS
from tocsin.core.circuit.copper import lost_v
from tocsin.core.circuit.pfd import CAVEAT, SOURCE
from tocsin.core.circuit.pins import HEADER, number

if TYPE_CHECKING:
    from tocsin.core.circuit import Finding, Judged, Reliability

CAUTIONS = tuple(
    """\
Local codes, the makers' sheets and licensed practice go before this sheet.
Isolate the bank and prove it dead before work. Put every fuse at its source.
The battery's own protection stays in place, independent of all that is here.
A generator may start at any time: lock it out before work. Its exhaust kills indoors.
A heater needs a thermal cut-out of its own.
Paper proves nothing: prove every output before it is relied upon.""".splitlines()
)


def pin(circuit: Circuit) -> list[str]:
    """Return the pin, its place on the header and its pull."""
    if circuit.pin is None:
        return ["pin not stated"]
    rows = [circuit.pin, f"header pin {HEADER[number(circuit.pin)]}"]
    if circuit.pull is not None:
        rows.append(
            "no pull fitted" if circuit.pull == "none" else f"10k pull-{circuit.pull}"
        )
    return rows


def driver(circuit: Circuit) -> list[str]:
    """Return the driver, the level it acts on and what it draws."""
    rows = [(circuit.driver or "not stated").replace("-", " ")]
    rows.append("active low" if circuit.is_active_low else "active high")
    if circuit.input_ma is not None:
        rows.append(f"draws {circuit.input_ma:g} mA")
    return rows


def coil(circuit: Circuit) -> list[str]:
    """Return the coil and its suppression."""
    if not circuit.has_relay:
        return ["no relay"]
    volts = _of(circuit.coil_v, "V")
    current = _of(circuit.coil_ma, "mA")
    rows = [" ".join(word for word in (volts, current) if word) or "not stated"]
    if circuit.flyback is not None:
        rows.append("no diode" if circuit.flyback == "none" else _plus(circuit.flyback))
    return rows


def _plus(flyback: str) -> str:
    return flyback.replace("-", " + ")


def contact(circuit: Circuit) -> list[str]:
    """Return the contact and its rating."""
    form = circuit.contact_form or "not stated"
    rows = [form if circuit.has_relay else "transistor"]
    if circuit.contact_a is not None and circuit.contact_v is not None:
        rows.append(f"{circuit.contact_a:g} A at {circuit.contact_v:g} V DC")
    if circuit.contact_rating is not None:
        rows.append(circuit.contact_rating)
    if circuit.contacts_in_series > 1:
        rows[-1] += f", {circuit.contacts_in_series} in series"
    return rows


def fuse(circuit: Circuit) -> list[str]:
    """Return the fuse."""
    if circuit.fuse_a is None:
        return ["-" if circuit.load == "signal" else "not stated"]
    rows = [f"{circuit.fuse_a:g} A"]
    if circuit.fuse_v is not None:
        rows.append(f"{circuit.fuse_v:g} V DC")
    if circuit.fuse_breaking_a is not None:
        rows.append(f"breaks {circuit.fuse_breaking_a / 1000:g} kA")
    return rows


def cable(circuit: Circuit) -> list[str]:
    """Return the cable."""
    if circuit.area_mm2 is None:
        return ["-" if circuit.load == "signal" else "not stated"]
    rows = [f"{circuit.area_mm2:g} mm2"]
    if circuit.length_m is not None:
        rows.append(f"{circuit.length_m:g} m one way")
    lost, volts = lost_v(circuit), circuit.least_v
    if lost is not None and volts is not None:
        rows[-1] = f"{circuit.length_m:g} m, loses {100 * lost / volts:.1f} %"
    if circuit.insulation_c is not None:
        rows.append(f"rated {circuit.insulation_c} degC")
    return rows


def load(circuit: Circuit) -> list[str]:
    """Return the load, its amperes and what feeds it."""
    rows = [(circuit.load or "load").replace("-", " ").replace("led ", "LED ")]
    amps = _of(circuit.amps, "A")
    rows.append(amps or "amperes not stated")
    low, high = circuit.supply_low_v, circuit.supply_high_v
    if low is not None and high is not None:
        feed = f"{low:g} V" if low == high else f"{low:g} to {high:g} V"
        rows.append(f"{circuit.supply or 'supply'} {feed}")
    if circuit.load_flyback not in {None, "none"}:
        rows[1] += f", {_plus(str(circuit.load_flyback))}"
    return rows


def safe_state(judged: Judged) -> str:
    """Return what a dead controller does to this output."""
    circuit = judged.circuit
    if circuit is None or (circuit.has_relay and circuit.contact_form is None):
        return "not stated"
    if circuit.contact_form in {"normally-closed", "latching"}:
        return f"NOT SAFE BY ITSELF: {circuit.contact_form} contact"
    return ACTS[judged.role] if judged.role else "off"


def _of(value: float | None, unit: str) -> str:
    return "" if value is None else f"{value:g} {unit}"


def tally(findings: tuple[Finding, ...]) -> str:
    """Return how many checks stand how, the worst first: ``1 unsafe, 9 fine``."""
    counts = Counter(finding.verdict for finding in findings)
    ranked = sorted(counts, key=lambda verdict: -verdict.rank)
    return ", ".join(f"{counts[verdict]} {verdict}" for verdict in ranked)


def estimate(chain: Reliability) -> str:
    """Return the estimate of an output's chain in a line."""
    return (
        f"PFDavg about {chain.pfd_avg:.2g} (one demand in {1 / chain.pfd_avg:.3g} "
        f"fails), of which {chain.untested:.1g} no proof test finds; most often: "
        f"{chain.weakest}"
        if chain.pfd_avg > 0
        else "PFDavg 0: no part is said to fail"
    )


def as_json(judged: Judged) -> dict[str, Any]:
    """Return one output as an object."""
    chain = judged.reliability
    return {
        "output": judged.output,
        "role": judged.role,
        "circuit": None if judged.circuit is None else _stated(judged.circuit),
        "verdict": None if judged.circuit is None else worst(judged.findings),
        "findings": [finding_json(finding) for finding in judged.findings],
        "reliability": None if chain is None else _chain(chain),
    }


def finding_json(finding: Finding) -> dict[str, Any]:
    """Return one finding as an object; what was worked out has its unit in its name."""
    return {
        "check": finding.check,
        "verdict": finding.verdict,
        "key": finding.key,
        "says": finding.says,
        "change": finding.change,
        "source": finding.source,
        "figures": {name: round(value, 4) for name, value in finding.figures},
    }


def _stated(circuit: Circuit) -> dict[str, Any]:
    return {key: value for key, value in asdict(circuit).items() if value is not None}


def _chain(chain: Reliability) -> dict[str, Any]:
    return {
        "pfd_avg": chain.pfd_avg,
        "pfd_end": chain.pfd_end,
        "untested": chain.untested,
        "rate_per_h": chain.rate_h,
        "proof_test_h": chain.proof_test_h,
        "coverage": chain.coverage,
        "life_h": chain.life_h,
        "parts": dict(chain.parts),
        "source": SOURCE,
        "caveat": CAVEAT,
    }


def is_unsafe(judged: tuple[Judged, ...], rail: Finding | None) -> bool:
    """Return True if any circuit must not be built as it is stated."""
    every = [finding for each in judged for finding in each.findings]
    every += [] if rail is None else [rail]
    return any(finding.verdict is Verdict.UNSAFE for finding in every)
