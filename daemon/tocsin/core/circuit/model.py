"""A circuit as it is stated: supply, fuse, cable, contact, coil, driver, pin, load."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from tocsin.core.rules import Role


class Supply(StrEnum):
    """What feeds the load."""

    BANK = "bank"
    CONVERTER = "converter"  # steady volts, whatever the bank does


class Nature(StrEnum):
    """What a load is to the contact that switches it."""

    RESISTIVE = "resistive"
    INDUCTIVE = "inductive"
    MOTOR = "motor"
    INRUSH = "inrush"  # a cold filament, or capacitors to be filled


class Load(StrEnum):
    """Kinds of load."""

    VEHICLE_HORN = "vehicle-horn"
    PIEZO_SIREN = "piezo-siren"
    LED_BEACON = "led-beacon"
    CONTACTOR_COIL = "contactor-coil"
    LAMP = "lamp"
    MOTOR = "motor"
    HEATER = "heater"
    ELECTRONICS = "electronics"
    SIGNAL = "signal"  # a dry contact into another device's input

    @property
    def nature(self) -> Nature:
        """Return what it is to a contact."""
        return NATURES[self]


NATURES = {
    Load.VEHICLE_HORN: Nature.INDUCTIVE,
    Load.PIEZO_SIREN: Nature.INRUSH,
    Load.LED_BEACON: Nature.INRUSH,
    Load.CONTACTOR_COIL: Nature.INDUCTIVE,
    Load.LAMP: Nature.INRUSH,
    Load.MOTOR: Nature.MOTOR,
    Load.HEATER: Nature.RESISTIVE,
    Load.ELECTRONICS: Nature.INRUSH,
    Load.SIGNAL: Nature.RESISTIVE,
}

USUAL_A = {Load.VEHICLE_HORN: 5.5, Load.PIEZO_SIREN: 0.5, Load.LED_BEACON: 0.3}
"""The most that one takes as a rule: horns 4.5 to 5.5 A in vehicle service texts;
siren and beacon common practice, no source. Other kinds differ too much to guess."""


class Driver(StrEnum):
    """What stands between the pin and the coil."""

    TRANSISTOR = "transistor"
    OPTO = "opto"
    RELAY_BOARD = "relay-board"
    DIRECT = "direct"


class Form(StrEnum):
    """What the contact does without coil current."""

    NORMALLY_OPEN = "normally-open"
    NORMALLY_CLOSED = "normally-closed"
    LATCHING = "latching"


class Rating(StrEnum):
    """For what load the contact's amperes are stated."""

    RESISTIVE = "resistive"
    INDUCTIVE = "inductive"


class Pull(StrEnum):
    """The resistor fitted at the driver's input."""

    DOWN = "down"
    UP = "up"
    NONE = "none"


class Flyback(StrEnum):
    """What takes a coil's current when it is switched off."""

    NONE = "none"
    DIODE = "diode"
    DIODE_ZENER = "diode-zener"


@dataclass(frozen=True, slots=True, kw_only=True)
class Circuit:
    """The circuit of one output; what is None was not stated.

    Attributes:
        supply_v: Volts at the fuse, in the middle of things.
        supply_low_v, supply_high_v: The least and most they can be: the protector's
            cut-offs times cells in series where the bank feeds the load.
        fault_ohm: What limits a short circuit at the bank's terminals: its cells.
        load_a: Amperes while on; where None, `amps` knows some kinds.
        load_v: Rated volts of the load.
        load_min_v, load_max_v: Between these it works.
        is_critical: 3 % of volt drop is allowed, 10 % otherwise.
        length_m: One way.
        conductor_c: Temperature of the copper; ambient_c of the air around it.
        insulation_c: What the insulation is rated for.
        bundled: Conductors that carry current, side by side.
        contact_v, contact_a: DC rating of the contact, or of the transistor that
            switches the load where there is no relay.
        contacts_in_series: Contacts that open together, one after the other.
        coil_ma: What the relay's coil draws.
        input_ma: What the driver's input draws from the pin.
    """

    role: Role | None = None
    pin: str | None = None
    is_active_low: bool = False
    supply: Supply | None = None
    supply_v: float | None = None
    supply_low_v: float | None = None
    supply_high_v: float | None = None
    fault_ohm: float | None = None
    load: Load | None = None
    load_a: float | None = None
    load_v: float | None = None
    load_min_v: float | None = None
    load_max_v: float | None = None
    load_flyback: Flyback | None = None
    is_critical: bool = True
    length_m: float | None = None
    area_mm2: float | None = None
    conductor_c: float | None = None
    ambient_c: float | None = None
    insulation_c: int | None = None
    bundled: int = 2
    fuse_a: float | None = None
    fuse_v: float | None = None
    fuse_breaking_a: float | None = None
    has_relay: bool = True
    contact_v: float | None = None
    contact_a: float | None = None
    contact_rating: Rating | None = None
    contact_form: Form | None = None
    contacts_in_series: int = 1
    coil_v: float | None = None
    coil_ma: float | None = None
    flyback: Flyback | None = None
    driver: Driver | None = None
    input_ma: float | None = None
    pull: Pull | None = None

    @property
    def amps(self) -> float | None:
        """Return the load's amperes, stated or usual for its kind."""
        if self.load_a is not None or self.load is None:
            return self.load_a
        return USUAL_A.get(self.load)

    @property
    def least_v(self) -> float | None:
        """Return the lowest volts of the supply that are known."""
        return self.supply_v if self.supply_low_v is None else self.supply_low_v
