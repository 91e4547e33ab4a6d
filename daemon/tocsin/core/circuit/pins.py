"""The pin, what it feeds, and where it stands before a program holds it.

Raspberry Pi documentation: "GPIO on Raspberry Pi" and "GPIO pad controls" for currents,
the table of alternative functions for the pulls after reset. The Pi 5's own chip is
taken to be pulled likewise (from memory).
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from tocsin.core.circuit.finding import (
    Check,
    Finding,
    Verdict,
    absent,
    listed,
    over,
    unknown,
)
from tocsin.core.circuit.model import Driver, Flyback, Pull

if TYPE_CHECKING:
    from collections.abc import Iterable

    from tocsin.core.circuit.model import Circuit

HIGHEST_GPIO = 27

PULLS = {n: Pull.UP if n <= 8 else Pull.DOWN for n in range(HIGHEST_GPIO + 1)}  # noqa: PLR2004 the table's own
"""Each line's pull after reset, 33 to 73 kohm."""

HEADER = {
    bcm: position
    for position, bcm in (
        *((3, 2), (5, 3), (7, 4), (8, 14), (10, 15), (11, 17), (12, 18), (13, 27)),
        *((15, 22), (16, 23), (18, 24), (19, 10), (21, 9), (22, 25), (23, 11), (24, 8)),
        *((26, 7), (27, 0), (28, 1), (29, 5), (31, 6), (32, 12), (33, 13), (35, 19)),
        *((36, 16), (37, 26), (38, 20), (40, 21)),
    )
}
"""Position on the 40-pin header, by GPIO number (Raspberry Pi documentation)."""

STRONG_UP = frozenset({2, 3})
"""1.8 kohm to 3.3 V on the board: no resistor of ours wins against it."""

BUSY = {
    **dict.fromkeys((0, 1), "reads an add-on board's memory at boot"),
    **dict.fromkeys((14, 15), "is the serial console, which talks at boot"),
}

PIN_MA, PIN_MOST_MA = 8.0, 16.0
"""A ceiling for every board; what the older ones can drive at most."""

RAIL_MA = 50.0
"""All pins together: 3.3 V is made for about 3 mA on each of 17."""

BETA = 10
"""A bipolar transistor saturates with a tenth of its load as base current; common
practice, no source."""

SLOW_DIODE_V = 30.0
"""A plain diode lengthens the release, and so the arc, which is long from about here
(relay makers' contact-protection notes; the limit is common practice, no source)."""

PIN_SOURCE = "Raspberry Pi documentation, GPIO and GPIO pad controls"
BOOT_SOURCE = "Raspberry Pi documentation, pulls after reset"
COIL_SOURCE = "relay makers' contact-protection notes"


def number(pin: str) -> int:
    """Return the number of ``GPIO17``."""
    return int(pin.removeprefix("GPIO"))


def pin_ma(circuit: Circuit) -> float | None:
    """Return what the pin has to give, None where that is not stated."""
    if circuit.driver is Driver.DIRECT:
        return circuit.input_ma if circuit.coil_ma is None else circuit.coil_ma
    if circuit.input_ma is not None:
        return circuit.input_ma
    if circuit.driver is Driver.TRANSISTOR and circuit.coil_ma is not None:
        return circuit.coil_ma / BETA
    return None


def judge_pin(circuit: Circuit) -> Finding:
    """Judge the current that one pin gives."""
    driver, current = circuit.driver, pin_ma(circuit)
    if driver is None or current is None:
        missing = absent(circuit, "driver")
        return unknown(Check.PIN, *missing, *(("input_ma",) if current is None else ()))
    figures = (("pin_ma", current),)
    if driver is Driver.DIRECT and circuit.coil_ma is not None:
        return Finding(
            check=Check.PIN,
            verdict=Verdict.UNSAFE,
            key="driver",
            says=f"a coil of {circuit.coil_ma:g} mA hangs on the pin itself",
            change="a transistor between pin and coil, with a pull-down and a diode",
            source=PIN_SOURCE,
            figures=figures,
        )
    verdict, change = Verdict.FINE, ""
    if over(current, PIN_MA):
        verdict = Verdict.UNSAFE if over(current, PIN_MOST_MA) else Verdict.DOUBTFUL
        change = "a driver that needs less, such as a logic-level MOSFET"
    return Finding(
        check=Check.PIN,
        verdict=verdict,
        key="coil_ma" if circuit.input_ma is None else "input_ma",
        says=f"the pin gives {current:.3g} mA; {PIN_MA:g} mA is the ceiling",
        change=change,
        source=PIN_SOURCE,
        figures=figures,
    )


def judge_rail(named: Iterable[tuple[str, Circuit | None]]) -> Finding | None:
    """Judge all pins of a site together; None where no circuit is stated.

    An output without a circuit counts as not known.
    """
    every = [(name, None if c is None else pin_ma(c)) for name, c in named]
    known = [current for _, current in every if current is not None]
    silent = tuple(name for name, current in every if current is None)
    total = sum(known)
    if not known:
        return None
    is_over = over(total, RAIL_MA)
    if silent and not is_over:
        why = f"the others take {total:.3g} mA of {RAIL_MA:g} mA"
        return unknown(Check.RAIL, f"input_ma of {listed(silent)}", why=why)
    return Finding(
        check=Check.RAIL,
        verdict=Verdict.UNSAFE if is_over else Verdict.FINE,
        key="input_ma",
        says=f"all pins together take {total:.3g} mA of the {RAIL_MA:g} mA that 3.3 V "
        "can give",
        change="drivers that need less" if is_over else "",
        source=PIN_SOURCE,
        figures=(("total_ma", total),),
    )


def boots_high(pin: str, fitted: Pull) -> bool:
    """Return the level of *pin* until a program holds it."""
    if number(pin) in STRONG_UP:
        return True
    chips = PULLS[number(pin)]
    return (chips if fitted is Pull.NONE else fitted) is Pull.UP


def judge_boot(circuit: Circuit) -> Finding:
    """Judge whether the output is de-energised before a program holds its pin."""
    pin, fitted = circuit.pin, circuit.pull
    if pin is None or fitted is None:
        why = ""
        if pin is not None:
            why = f"by itself {pin} is pulled {PULLS[number(pin)]} at boot"
        return unknown(Check.BOOT, *absent(circuit, "pin", "pull"), why=why)
    is_high = boots_high(pin, fitted)
    level = "high" if is_high else "low"
    wanted = "up" if circuit.is_active_low else "down"
    change = f"a pin from GPIO9 to GPIO27, with 10 kohm {wanted} at the driver"
    says = f"at boot {pin} is {level}"
    verdict, key = Verdict.FINE, "pull"
    if is_high is not circuit.is_active_low:
        verdict, says = Verdict.UNSAFE, f"{says}, which energises this output"
        key = "pin" if number(pin) in STRONG_UP else "pull"
    elif number(pin) in BUSY:
        verdict, key = Verdict.DOUBTFUL, "pin"
        says = f"{pin} {BUSY[number(pin)]}, so this output may twitch"
    elif circuit.is_active_low:
        verdict, key = Verdict.DOUBTFUL, "active_low"
        says = f"{says}, but a pin without power is low, which energises this output"
        change = "a driver that needs a high pin"
    elif fitted is Pull.NONE:
        verdict = Verdict.DOUBTFUL
        says = f"{says} by the chip's own weak pull alone"
    else:
        says, change = f"{says}: this output is de-energised", ""
    return Finding(
        check=Check.BOOT,
        verdict=verdict,
        key=key,
        says=says,
        change=change,
        source=BOOT_SOURCE,
    )


def judge_flyback(circuit: Circuit) -> Finding | None:
    """Judge what takes the coil's current when the driver lets go."""
    if not circuit.has_relay:
        return None
    fitted = circuit.flyback
    if fitted is None:
        return unknown(Check.FLYBACK, "flyback")
    verdict, says, change = Verdict.FINE, f"{fitted} at the coil", ""
    volts = circuit.supply_high_v
    if fitted is Flyback.NONE:
        verdict = Verdict.UNSAFE
        says = "the coil's own voltage kills the driver, which may then stay on"
        change = "a diode and a zener of about the coil's volts, at the coil"
    elif fitted is Flyback.DIODE and volts is not None and over(volts, SLOW_DIODE_V):
        verdict = Verdict.DOUBTFUL
        says = f"a plain diode lets the contact open slowly, at up to {volts:.1f} V"
        change = "a zener of about the coil's volts in series with the diode"
    return Finding(
        check=Check.FLYBACK,
        verdict=verdict,
        key="flyback",
        says=says,
        change=change,
        source=COIL_SOURCE,
    )
