"""A contact that breaks direct current, and which way it falls.

An arc of direct current meets no zero to go out at, so what a contact may break falls
steeply with volts and with the load's own stored energy.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from tocsin.core.circuit.finding import Check, Finding, Verdict, absent, over, unknown
from tocsin.core.circuit.model import Flyback, Form, Nature, Rating
from tocsin.core.rules import Role

if TYPE_CHECKING:
    from tocsin.core.circuit.model import Circuit

WETTING_A = 0.010
"""Less may not break through a silver contact's film (relay-rating texts)."""

FALL = 3
"""Amperes fall with this power of the volts above the rated ones. Relay-rating texts:
10 A at 30 V are 0.3 to 0.5 A at 110 V, which is a power of 2.3 to 2.7."""

FINE_SHARE = {
    Nature.RESISTIVE: 1.0,
    Nature.INDUCTIVE: 0.2,
    Nature.MOTOR: 0.2,
    Nature.INRUSH: 0.2,
}
"""Of a resistive rating. Coils: a contactor's table, 15 A resistive, 3 A at L/R 40 ms;
motors and inrush: up to five times the running current (relay-rating texts)."""

MOST_SHARE = FINE_SHARE | {Nature.INDUCTIVE: 0.5, Nature.MOTOR: 0.4}
"""Above it is unsafe: twice for inductive loads (relay-rating texts), motor 6 of 15 A
(the contactor's table)."""

CONTACT_SOURCE = "relay-rating texts and a contactor's DC load table"
DIRECTION_SOURCE = "de-energise to act: IEC 61511, IEC 60204-1 (from memory)"


def rated_a(circuit: Circuit, share: float, volts: float) -> float:
    """Return what the contact may break at *volts*, at this *share* of its rating."""
    rated_v = (circuit.contact_v or 0) * circuit.contacts_in_series
    rated = (circuit.contact_a or 0) * share
    return rated if volts <= rated_v else rated * (rated_v / volts) ** FALL


def _shares(circuit: Circuit, nature: Nature) -> tuple[float, float]:
    is_for_it = circuit.contact_rating is Rating.INDUCTIVE
    if is_for_it and nature is Nature.INDUCTIVE:
        return 1.0, 1.0
    return FINE_SHARE[nature], MOST_SHARE[nature]


def judge_contact(circuit: Circuit) -> Finding:
    """Judge the contact, or the transistor in its place, against load and volts."""
    amps, volts = circuit.amps, circuit.supply_high_v
    if amps is None or volts is None or circuit.load is None or _unrated(circuit):
        load = ("load_a",) if amps is None else ()
        missing = absent(circuit, "supply_high_v", "load")
        return unknown(Check.CONTACT, *load, *missing, *_unrated(circuit))
    fine, most = (
        rated_a(circuit, share, volts)
        for share in _shares(circuit, circuit.load.nature)
    )
    nature = circuit.load.nature
    verdict, key, change = _broken(circuit, amps, volts, fine, most)
    figures = (("allowed_a", fine), ("unsafe_above_a", most), ("at_v", volts))
    return Finding(
        check=Check.CONTACT,
        verdict=verdict,
        key=key,
        says=f"{_switch(circuit)} of {circuit.contact_a:g} A at "
        f"{circuit.contact_v:g} V DC may break {fine:.3g} A of this {nature} load at "
        f"{volts:.1f} V; it has to break {amps:g} A",
        change=change,
        source=CONTACT_SOURCE,
        figures=figures,
    )


def _unrated(circuit: Circuit) -> tuple[str, ...]:
    return absent(circuit, "contact_v", "contact_a", "contact_rating")


def _switch(circuit: Circuit) -> str:
    if not circuit.has_relay:
        return "a transistor"
    many = circuit.contacts_in_series
    return "a contact" if many == 1 else f"{many} contacts in series"


def _broken(
    circuit: Circuit, amps: float, volts: float, fine: float, most: float
) -> tuple[Verdict, str, str]:
    rated_v = (circuit.contact_v or 0) * circuit.contacts_in_series
    if over(volts, rated_v):
        change = f"a contact rated for {volts:.1f} V DC, or more of them in series"
        is_little = circuit.has_relay and not over(amps, fine)
        verdict = Verdict.DOUBTFUL if is_little else Verdict.UNSAFE
        return verdict, "contact_v", change
    if over(amps, fine):
        share = fine / (circuit.contact_a or 1)
        change = f"a contact of {amps / share:.3g} A at these volts, or a contactor"
        verdict = Verdict.UNSAFE if over(amps, most) else Verdict.DOUBTFUL
        return verdict, "contact_a", change
    if circuit.has_relay and over(WETTING_A, amps):
        change = "a contact for small signals, gold plated"
        return Verdict.DOUBTFUL, "load_a", change
    return Verdict.FINE, "contact_a", ""


# --- direction ------------------------------------------------------------------

ACTS = {
    Role.CHARGE_PERMIT: "charging is inhibited",
    Role.LOAD_PERMIT: "this stage of loads is off",
    Role.HORN: "the horn is silent",
    Role.BEACON: "the beacon is dark",
    Role.GENERATOR_CALL: "the set is not asked to run",
    Role.HEATER_CALL: "the heater is off",
    Role.GENERATOR_LOAD: "the set carries no load",
    Role.HEARTBEAT: "the beat has stopped, so whatever watches it lets go",
}
"""What it means that an output is de-energised."""

ON_BY_ITSELF = {
    Role.CHARGE_PERMIT: "permits charging",
    Role.LOAD_PERMIT: "permits its loads",
    Role.GENERATOR_CALL: "starts the set",
    Role.HEATER_CALL: "heats",
    Role.GENERATOR_LOAD: "puts load on the set",
}
"""What a dead controller must not do."""


def judge_direction(circuit: Circuit) -> Finding | None:
    """Judge what a controller without power does, against the output's role."""
    role, form = circuit.role, circuit.contact_form
    if not circuit.has_relay:
        return None
    if role is None or form is None:
        missing = absent(circuit, "role", "contact_form")
        return unknown(Check.DIRECTION, *missing)
    verdict, says, change = _falls(role, form)
    return Finding(
        check=Check.DIRECTION,
        verdict=verdict,
        key="contact_form",
        says=says,
        change=change,
        source=DIRECTION_SOURCE,
    )


def _falls(role: Role, form: Form) -> tuple[Verdict, str, str]:
    wanted = "a monostable relay, wired to its normally-open contact"
    if form is Form.NORMALLY_OPEN:
        says = f"without power {ACTS[role]}"
        if role.is_permit or role is Role.HEARTBEAT:
            return Verdict.FINE, says, ""
        return Verdict.FINE, f"{says}: prove this call at its due date", ""
    if role in ON_BY_ITSELF:
        does = ON_BY_ITSELF[role]
        if form is Form.LATCHING:
            says = f"a latching relay still {does} when the controller is dead"
        else:
            says = f"a normally-closed contact {does} when the controller is dead"
        return Verdict.UNSAFE, says, wanted
    if form is Form.LATCHING:
        says = "a latching relay stays as it was when the controller dies"
    else:
        says = "a normally-closed contact acts whenever the controller has no power"
    return Verdict.DOUBTFUL, says, wanted


def judge_load_flyback(circuit: Circuit) -> Finding | None:
    """Judge what takes the current of an inductive load when it is switched off."""
    load = circuit.load
    if load is None or load.nature not in {Nature.INDUCTIVE, Nature.MOTOR}:
        return None
    fitted = circuit.load_flyback
    if fitted is None:
        return unknown(Check.LOAD_FLYBACK, "load_flyback")
    if fitted is not Flyback.NONE:
        says, verdict, change = f"{fitted} at the {load}", Verdict.FINE, ""
    else:
        says = f"nothing takes the current of the {load} when it is switched off"
        verdict = Verdict.DOUBTFUL if circuit.has_relay else Verdict.UNSAFE
        change = "a diode and a zener of about the supply's volts across the load"
    return Finding(
        check=Check.LOAD_FLYBACK,
        verdict=verdict,
        key="load_flyback",
        says=says,
        change=change,
        source="relay makers' contact-protection notes",
    )
