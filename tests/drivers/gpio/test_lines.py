"""Real lines on a fake chip: what reaches lgpio, in which order.

The fake stands below gpiozero, so gpiozero's own code runs. No hardware was here: that
a relay does not blip must be proved at the site.
"""

from __future__ import annotations

import os
import tempfile
from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING

import pytest

from tocsin.core.events import Demand
from tocsin.core.plant import InputRole
from tocsin.core.rules import Role
from tocsin.ports import DriverError, InputSpec, PinSpec
from tocsin_drivers.gpio import lines

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator

os.environ.setdefault("LG_WD", tempfile.gettempdir())
from gpiozero.pins import lgpio as backend

CHARGE = PinSpec(output="charge", role=Role.CHARGE_PERMIT, pin="GPIO17")
LOADS = PinSpec(output="loads", role=Role.LOAD_PERMIT, pin="GPIO27", active_low=True)
HEART = PinSpec(output="heart", role=Role.HEARTBEAT, pin="GPIO22")


@dataclass
class Chip:
    """Remembers what was done to its lines, in order."""

    done: list[tuple[str, int, int]] = field(default_factory=list)
    level: dict[int, int] = field(default_factory=dict)
    outputs: set[int] = field(default_factory=set)
    broken: set[int] = field(default_factory=set)
    closed: int = 0
    pulls: dict[int, int] = field(default_factory=dict)
    heard: dict[int, Callable[[int, int, int, int], None]] = field(default_factory=dict)

    def claim_output(self, _: int, line: int, level: int = 0, *_flags: int) -> None:
        self._try(line)
        self.done.append(("claim", line, level))
        self.level[line] = level
        self.outputs.add(line)

    def claim_input(self, _: int, line: int, *flags: int) -> None:
        self.outputs.discard(line)
        self.pulls[line] = sum(flags)

    def read(self, _: int, line: int) -> int:
        self._try(line)
        return self.level.get(line, 0)

    def callback(
        self, _: int, line: int, _edges: int, told: Callable[[int, int, int, int], None]
    ) -> Chip:
        self.heard[line] = told
        return self

    def cancel(self) -> None:
        self.heard.clear()

    def edge(self, line: int, level: int) -> None:
        self.heard[line](0, line, level, 1_000)

    def write(self, _: int, line: int, level: int) -> None:
        self._try(line)
        self.done.append(("write", line, level))
        self.level[line] = level

    def _try(self, line: int) -> None:
        if line in self.broken:
            raise OSError("GPIO busy")

    def close(self, _: int) -> None:
        self.closed += 1


@pytest.fixture
def chip(monkeypatch: pytest.MonkeyPatch) -> Iterator[Chip]:
    fake = Chip()
    for name, stand_in in {
        "gpiochip_open": lambda _: 1,
        "gpiochip_close": fake.close,
        "gpio_claim_output": fake.claim_output,
        "gpio_claim_input": fake.claim_input,
        "gpio_write": fake.write,
        "gpio_read": fake.read,
        "gpio_claim_alert": lambda *_: None,
        "callback": fake.callback,
        "gpio_get_mode": lambda _, line: 2 if line in fake.outputs else 0,
        "gpio_free": lambda *_: None,
    }.items():
        monkeypatch.setattr(backend.lgpio, name, stand_in)
    revision = 0xA02082  # a common board; only its pin names matter here
    monkeypatch.setattr(backend.LGPIOFactory, "_get_revision", lambda _: revision)
    yield fake
    monkeypatch.undo()


def demand(pin: PinSpec, *, energised: bool) -> Demand:
    return Demand(
        output=pin.output, role=pin.role, energised=energised, called=energised
    )


def test_a_line_is_claimed_with_its_de_energised_level_and_nothing_before(
    chip: Chip,
) -> None:
    made = lines.build([CHARGE, LOADS])
    assert chip.done == [("claim", 17, 0), ("claim", 27, 1)]
    made.close()


def test_gpiozeros_own_pin_would_claim_an_active_low_line_energised(chip: Chip) -> None:
    from gpiozero import OutputDevice  # noqa: PLC0415 after LG_WD is set

    factory = backend.LGPIOFactory()
    device = OutputDevice("GPIO27", active_high=False, pin_factory=factory)
    assert chip.done[0] == ("claim", 27, 0), "if this fails, our subclass can go"
    device.close()
    factory.close()


def test_every_level_is_written_on_every_hold(chip: Chip) -> None:
    made = lines.build([CHARGE, LOADS])
    chip.done.clear()
    wanted = (demand(CHARGE, energised=True), demand(LOADS, energised=True))
    made.hold(wanted)
    made.hold(wanted)
    assert chip.done == [("write", 17, 1), ("write", 27, 0)] * 2
    made.close()


def test_a_line_that_fails_keeps_no_other_from_being_written(chip: Chip) -> None:
    made = lines.build([CHARGE, LOADS])
    made.hold((demand(CHARGE, energised=True), demand(LOADS, energised=True)))
    chip.broken.add(17)
    with pytest.raises(DriverError, match="charge: GPIO busy"):
        made.hold((demand(CHARGE, energised=False), demand(LOADS, energised=False)))
    assert chip.level[27] == 1
    chip.broken.clear()
    made.close()


def test_only_a_beat_toggles_the_heart(chip: Chip) -> None:
    made = lines.build([CHARGE, HEART])
    made.hold((demand(CHARGE, energised=True),))
    seen = [chip.level[22]]
    for _ in range(3):
        made.beat()
        seen.append(chip.level[22])
    assert seen == [0, 1, 0, 1]
    made.close()


def test_closing_de_energises_every_line_once_and_may_be_done_twice(chip: Chip) -> None:
    made = lines.build([CHARGE, LOADS])
    made.hold((demand(CHARGE, energised=True), demand(LOADS, energised=True)))
    made.close()
    made.close()
    assert (chip.level[17], chip.level[27]) == (0, 1)
    assert chip.closed == 1


def test_a_line_that_cannot_be_claimed_gives_the_others_back(chip: Chip) -> None:
    chip.broken.add(27)
    with pytest.raises(DriverError, match="output loads on GPIO27: GPIO busy"):
        lines.build([CHARGE, LOADS])
    assert chip.closed == 1


@pytest.mark.parametrize(
    ("name", "said"),
    [(None, "no pin: a real output needs a pin"), ("GPIO99", "GPIO99")],
)
def test_a_pin_that_does_not_exist_is_named(
    name: str | None, said: str, chip: Chip
) -> None:
    with pytest.raises(DriverError, match=said):
        lines.build([PinSpec(output="charge", role=Role.CHARGE_PERMIT, pin=name)])
    assert chip.closed == 1


def test_a_machine_without_a_chip_says_so(monkeypatch: pytest.MonkeyPatch) -> None:
    def none(_: int) -> int:
        raise OSError("can not open gpiochip")

    monkeypatch.setattr(backend.lgpio, "gpiochip_open", none)
    monkeypatch.setattr(backend.LGPIOFactory, "_get_revision", lambda _: 0xA02082)
    with pytest.raises(DriverError, match="no GPIO chip: can not open"):
        lines.build([CHARGE])


# --- inputs ------------------------------------------------------------------------

ACK = InputSpec(
    input="ack", role=InputRole.ACKNOWLEDGE, pin="GPIO5", active_low=True, pull="up"
)
RUNS = InputSpec(input="runs", role=InputRole.GENERATOR_RUNNING, pin="GPIO20")


def test_an_input_is_read_and_never_driven(chip: Chip) -> None:
    made = lines.build_inputs([ACK, RUNS])
    chip.level |= {5: 1, 20: 0}
    assert made.read() == {"ack": False, "runs": False}
    chip.level |= {5: 0, 20: 1}
    assert made.read() == {"ack": True, "runs": True}
    assert chip.done == []
    assert chip.pulls[5] == backend.lgpio.SET_PULL_UP
    assert chip.pulls[20] == backend.lgpio.SET_PULL_DOWN
    made.close()
    assert chip.closed == 1


def test_an_edge_is_told_at_once_with_its_meaning(chip: Chip) -> None:
    made, told = lines.build_inputs([ACK, RUNS]), list[tuple[str, bool]]()
    made.listen(lambda name, level: told.append((name, level)))
    chip.edge(5, 0)
    chip.edge(20, 1)
    chip.edge(5, 1)
    assert told == [("ack", True), ("runs", True), ("ack", False)]
    made.close()


def test_a_line_that_cannot_be_read_says_so_and_the_others_are_read(
    chip: Chip,
) -> None:
    made = lines.build_inputs([ACK, RUNS])
    chip.level |= {5: 1, 20: 1}
    chip.broken.add(5)
    levels = made.read()
    assert str(levels["ack"]) == "GPIO busy"
    assert levels["runs"] is True
    made.close()


@pytest.mark.parametrize(
    ("pin", "said"),
    [(None, "input ack on no pin: a real input needs a pin"), ("GPIO99", "GPIO99")],
)
def test_an_input_s_pin_that_does_not_exist_is_named(
    pin: str | None, said: str, chip: Chip
) -> None:
    with pytest.raises(DriverError, match=said):
        lines.build_inputs([replace(ACK, pin=pin)])
    assert chip.closed == 1
