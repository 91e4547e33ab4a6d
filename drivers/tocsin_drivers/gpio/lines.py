"""A Raspberry Pi's lines, through gpiozero on lgpio.

A line is claimed *with* its first level. gpiozero's own lgpio pin claims it low and
then sets the level, which on an active-low relay board would switch the relay on for a
moment (read in gpiozero 2.0.1, ``pins/lgpio.py``).

When the process dies the kernel gives the lines back as inputs, or on a Raspberry Pi
lets them keep their last level (``strict_gpiod``): wire a pull resistor that holds
"off" while a line floats, and a heartbeat relay (``deploy/DEADMAN.md``).
"""

from __future__ import annotations

import os
import tempfile
from typing import TYPE_CHECKING, Any

from tocsin.core.rules import Role
from tocsin.ports import DriverError

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping, Sequence

    from tocsin.core.events import Demand
    from tocsin.ports import InputSpec, PinSpec


class Lines:
    """Every output's line. Made by `build`; *devices* are gpiozero's, by output."""

    def __init__(self, factory: Any, devices: dict[str, Any], hearts: set[str]) -> None:  # noqa: ANN401 gpiozero has no types
        self._factory = factory
        self._devices = devices
        self._hearts = hearts

    def hold(self, demands: tuple[Demand, ...]) -> None:
        """Write every demanded level, whatever it was.

        Raises:
            DriverError: a line could not be written. The others were.
        """
        failed: list[str] = []
        for demand in demands:
            try:
                self._devices[demand.output].value = demand.energised
            except Exception as exc:  # noqa: BLE001 whatever it is, the others come first
                failed.append(f"{demand.output}: {_why(exc)}")
        _complain(failed)

    def beat(self) -> None:
        """Toggle every heartbeat line.

        Raises:
            DriverError: one could not be written.
        """
        failed: list[str] = []
        for heart in self._hearts:
            try:
                self._devices[heart].toggle()
            except Exception as exc:  # noqa: BLE001 as above
                failed.append(f"{heart}: {_why(exc)}")
        _complain(failed)

    def close(self) -> None:
        """De-energise every line and give it back, as well as can be."""
        for device in self._devices.values():
            try:
                device.off()
            except Exception:  # noqa: BLE001, S112 the others must still be dropped
                continue
        self._factory.close()
        self._devices = {}
        self._hearts = set()


def build(pins: Sequence[PinSpec]) -> Lines:
    """Claim every line, de-energised.

    Raises:
        DriverError: a line or the chip cannot be had, or lgpio is not installed; lines
            that were claimed are given back.
    """
    factory = opened()
    lines = Lines(factory, {}, {p.output for p in pins if p.role is Role.HEARTBEAT})
    for pin in pins:
        try:
            device = claimed(pin.pin, factory, active_low=pin.active_low)
            lines._devices[pin.output] = device  # noqa: SLF001 our own
        except Exception as exc:
            lines.close()
            where = pin.pin or "no pin"
            said = f"output {pin.output} on {where}: {_why(exc)}"
            raise DriverError(said) from exc
    return lines


class InputLines:
    """Every input's line. Made by `build_inputs`; *pins* are gpiozero's, by input."""

    def __init__(self, factory: Any, pins: dict[str, Any], lows: set[str]) -> None:  # noqa: ANN401 gpiozero has no types
        self._factory = factory
        self._pins = pins
        self._lows = lows
        self._heard: list[Any] = []

    def read(self) -> Mapping[str, bool | DriverError]:
        """Return every level, or why a line cannot be read."""
        levels: dict[str, bool | DriverError] = {}
        for name, pin in self._pins.items():
            try:
                levels[name] = bool(pin.state) is not (name in self._lows)
            except Exception as exc:  # noqa: BLE001 whatever it is, the others count
                levels[name] = DriverError(_why(exc))
        return levels

    def listen(self, tell: Callable[[str, bool], None]) -> None:
        """Call *tell* at every edge, from the thread of lgpio."""
        for name, pin in self._pins.items():

            def edge(_: object, state: int, name: str = name) -> None:
                tell(name, bool(state) is not (name in self._lows))

            self._heard.append(edge)  # gpiozero holds it weakly
            pin.when_changed = edge  # of both edges, unless told otherwise

    def close(self) -> None:
        """Give every line back; none was ever driven."""
        self._factory.close()
        self._pins = {}
        self._heard = []


def build_inputs(inputs: Sequence[InputSpec]) -> InputLines:
    """Claim every line as an input.

    Raises:
        DriverError: a line or the chip cannot be had, or lgpio is not installed; lines
            that were claimed are given back.
    """
    factory = opened()
    lows = {each.input for each in inputs if each.active_low}
    lines = InputLines(factory, {}, lows)
    for each in inputs:
        try:
            if each.pin is None:
                raise DriverError("a real input needs a pin")  # noqa: TRY301 as for a pin that fails
            pin = factory.pin(each.pin)
            pin.input_with_pull({"none": "floating"}.get(each.pull, each.pull))
            lines._pins[each.input] = pin  # noqa: SLF001 our own
        except Exception as exc:
            lines.close()
            where = each.pin or "no pin"
            said = f"input {each.input} on {where}: {_why(exc)}"
            raise DriverError(said) from exc
    return lines


def opened() -> Any:  # noqa: ANN401 gpiozero has no types
    """Return gpiozero's factory of lines that are claimed with their first level.

    Raises:
        DriverError: no chip can be had, or lgpio is not installed.
    """
    # lgpio makes a pipe in its working folder as soon as it is imported.
    os.environ.setdefault("LG_WD", tempfile.gettempdir())
    try:
        return _factory()
    except ImportError as exc:
        raise DriverError(
            f"lgpio is not installed ({exc}); see deploy/README.md"
        ) from exc
    except Exception as exc:
        raise DriverError(f"no GPIO chip: {_why(exc)}") from exc


def claimed(pin: str | None, factory: Any, *, active_low: bool) -> Any:  # noqa: ANN401 gpiozero has no types
    """Claim one line, de-energised, and return gpiozero's device.

    Raises:
        DriverError: no pin is named. gpiozero and lgpio raise errors of their own.
    """
    from gpiozero import OutputDevice  # noqa: PLC0415 after LG_WD is set

    if pin is None:
        raise DriverError("a real output needs a pin")
    return OutputDevice(
        pin, active_high=not active_low, initial_value=False, pin_factory=factory
    )


def _factory() -> Any:  # noqa: ANN401 gpiozero has no types
    import lgpio  # noqa: PLC0415 an optional extra
    from gpiozero.pins.lgpio import LGPIOFactory, LGPIOPin  # noqa: PLC0415

    class ClaimedPin(LGPIOPin):  # type: ignore[misc]
        """Claims its line with the first level."""

        def output_with_state(self, state: bool) -> None:  # noqa: FBT001 gpiozero's
            lgpio.gpio_claim_output(self.factory._handle, self._number, int(state))  # noqa: SLF001

    factory = LGPIOFactory()
    factory.pin_class = ClaimedPin
    return factory


def _why(exc: Exception) -> str:
    return str(exc) or type(exc).__name__


def _complain(failed: list[str]) -> None:
    if failed:
        raise DriverError("; ".join(failed))
