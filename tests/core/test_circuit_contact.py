"""Contacts against direct current, and which way an output falls."""

from __future__ import annotations

from dataclasses import replace

import pytest

from circuit_stated import without
from tocsin.core.circuit import (
    Circuit,
    Finding,
    Flyback,
    Form,
    Load,
    Rating,
    Verdict,
)
from tocsin.core.circuit.contact import (
    judge_contact,
    judge_direction,
    judge_load_flyback,
    rated_a,
)
from tocsin.core.rules import Role

FINE, DOUBTFUL, UNSAFE = Verdict.FINE, Verdict.DOUBTFUL, Verdict.UNSAFE

CIRCUIT = Circuit(
    supply_low_v=24,
    supply_high_v=24,
    load=Load.HEATER,
    load_a=10,
    contact_v=30,
    contact_a=10,
    contact_rating=Rating.RESISTIVE,
)


def of(load: Load, amps: float, **changes: object) -> Finding:
    return judge_contact(replace(CIRCUIT, load=load, load_a=amps, **changes))  # type: ignore[arg-type]


@pytest.mark.parametrize(
    ("load", "amps", "verdict"),
    [
        (Load.HEATER, 9.99, FINE),
        (Load.HEATER, 10.0, FINE),
        (Load.HEATER, 10.01, UNSAFE),
        (Load.VEHICLE_HORN, 1.99, FINE),
        (Load.VEHICLE_HORN, 2.0, FINE),
        (Load.VEHICLE_HORN, 2.01, DOUBTFUL),
        (Load.CONTACTOR_COIL, 5.0, DOUBTFUL),
        (Load.CONTACTOR_COIL, 5.01, UNSAFE),
        (Load.MOTOR, 2.0, FINE),
        (Load.MOTOR, 2.01, DOUBTFUL),
        (Load.MOTOR, 3.99, DOUBTFUL),
        (Load.MOTOR, 4.0, DOUBTFUL),
        (Load.MOTOR, 4.01, UNSAFE),
        (Load.LAMP, 1.99, FINE),
        (Load.LAMP, 2.0, FINE),
        (Load.LAMP, 2.01, UNSAFE),
    ],
)
def test_a_kind_of_load_takes_its_share_of_a_rating(
    load: Load, amps: float, verdict: Verdict
) -> None:
    """A contactor's table: 15 A resistive, 6 A motor, 3 A coil; inrush up to five
    times, inductive twice (relay-rating texts)."""
    assert of(load, amps).verdict is verdict


def test_the_contactors_table_itself() -> None:
    """One pole, 15 A resistive at 24 V: a coil of 3 A (L/R below 40 ms) is fine, a
    motor of 6 A is let run and no more."""
    pole = {"contact_a": 15.0, "contact_v": 48.0}
    assert of(Load.HEATER, 15, **pole).verdict is FINE
    assert of(Load.CONTACTOR_COIL, 3, **pole).verdict is FINE
    assert of(Load.MOTOR, 6, **pole).verdict is DOUBTFUL
    assert of(Load.MOTOR, 6.1, **pole).verdict is UNSAFE


def test_a_rating_for_inductive_loads_counts_in_full_for_them_alone() -> None:
    rated = {"contact_rating": Rating.INDUCTIVE}
    assert of(Load.CONTACTOR_COIL, 10, **rated).verdict is FINE
    assert of(Load.CONTACTOR_COIL, 10.01, **rated).verdict is UNSAFE
    assert of(Load.LAMP, 2.01, **rated).verdict is UNSAFE


def test_a_relay_of_10_a_at_30_v_breaks_no_more_than_published_at_110() -> None:
    """Relay-rating texts: 10 A at 30 V DC, 0.3 to 0.5 A at 110 V DC."""
    assert 0.1 < rated_a(CIRCUIT, 1.0, 110) <= 0.3


@pytest.mark.parametrize(
    ("volts", "verdict"), [(29.9, FINE), (30, FINE), (30.1, DOUBTFUL), (60, DOUBTFUL)]
)
def test_above_its_volts_a_contact_is_never_fine(
    volts: float, verdict: Verdict
) -> None:
    assert of(Load.HEATER, 1, supply_high_v=volts).verdict is verdict


def test_above_its_volts_a_contact_loses_its_amperes_steeply() -> None:
    assert of(Load.HEATER, 1.25, supply_high_v=60.0).verdict is DOUBTFUL
    assert of(Load.HEATER, 1.26, supply_high_v=60.0).verdict is UNSAFE


def test_contacts_in_series_share_the_volts() -> None:
    two = {"contacts_in_series": 2, "supply_high_v": 60.0}
    assert of(Load.HEATER, 10, **two).verdict is FINE
    assert of(Load.HEATER, 10, supply_high_v=60.0).verdict is UNSAFE


@pytest.mark.parametrize(
    ("amps", "verdict"), [(0.0099, DOUBTFUL), (0.010, FINE), (0.0101, FINE)]
)
def test_a_contact_needs_ten_milliamperes(amps: float, verdict: Verdict) -> None:
    """Wetting minimum of silver (relay-rating texts)."""
    assert of(Load.SIGNAL, amps).verdict is verdict


def test_a_transistor_needs_none_and_forgives_no_volts() -> None:
    assert of(Load.SIGNAL, 0.001, has_relay=False).verdict is FINE
    found = of(Load.SIGNAL, 0.02, has_relay=False, supply_high_v=31.0)
    assert found.verdict is UNSAFE


def test_a_horn_of_which_only_the_kind_is_known_takes_its_usual_amperes() -> None:
    found = judge_contact(replace(CIRCUIT, load=Load.VEHICLE_HORN, load_a=None))
    assert "it has to break 5.5 A" in found.says


@pytest.mark.parametrize("load", [Load.CONTACTOR_COIL, Load.LAMP, Load.MOTOR])
def test_kinds_that_differ_too_much_are_asked_for(load: Load) -> None:
    found = judge_contact(replace(CIRCUIT, load=load, load_a=None))
    assert (found.verdict, found.change) == (Verdict.UNKNOWN, "say load_a")


@pytest.mark.parametrize(
    "gone", ["load_a", "supply_high_v", "load", "contact_v", "contact_a"]
)
def test_a_missing_figure_of_the_contact_is_asked_for(gone: str) -> None:
    found = judge_contact(without(CIRCUIT, gone))
    assert (found.verdict, found.change) == (Verdict.UNKNOWN, f"say {gone}")


# --- direction ----------------------------------------------------------------

PERMITS = [Role.CHARGE_PERMIT, Role.LOAD_PERMIT]
STARTS = [Role.GENERATOR_CALL, Role.HEATER_CALL, Role.GENERATOR_LOAD]
TELLS = [Role.HORN, Role.BEACON, Role.HEARTBEAT]


@pytest.mark.parametrize("role", list(Role))
@pytest.mark.parametrize("form", list(Form))
def test_what_a_dead_controller_does(role: Role, form: Form) -> None:
    found = judge_direction(replace(CIRCUIT, role=role, contact_form=form))
    assert found is not None
    if form is Form.NORMALLY_OPEN:
        assert found.verdict is FINE
    else:
        assert role in PERMITS + STARTS + TELLS
        assert found.verdict is (DOUBTFUL if role in TELLS else UNSAFE)
        assert "normally-open" in found.change


def test_a_call_is_to_be_proved() -> None:
    horn = replace(CIRCUIT, role=Role.HORN, contact_form=Form.NORMALLY_OPEN)
    found = judge_direction(horn)
    assert found is not None
    assert found.says.endswith("the horn is silent: prove this call at its due date")


def test_a_direction_that_is_not_stated_is_asked_for() -> None:
    found = judge_direction(replace(CIRCUIT, role=Role.HORN))
    assert found is not None
    assert (found.verdict, found.change) == (Verdict.UNKNOWN, "say contact_form")
    assert judge_direction(replace(CIRCUIT, has_relay=False)) is None


# --- what takes the load's current --------------------------------------------


@pytest.mark.parametrize(
    ("fitted", "has_relay", "verdict"),
    [
        (None, True, Verdict.UNKNOWN),
        (Flyback.NONE, True, DOUBTFUL),
        (Flyback.NONE, False, UNSAFE),
        (Flyback.DIODE, True, FINE),
        (Flyback.DIODE_ZENER, False, FINE),
    ],
)
def test_an_inductive_load_needs_suppression(
    fitted: Flyback | None,
    has_relay: bool,  # noqa: FBT001
    verdict: Verdict,
) -> None:
    coil = replace(CIRCUIT, load=Load.CONTACTOR_COIL, load_flyback=fitted)
    found = judge_load_flyback(replace(coil, has_relay=has_relay))
    assert found is not None
    assert found.verdict is verdict


def test_a_heater_needs_no_suppression() -> None:
    assert judge_load_flyback(CIRCUIT) is None
