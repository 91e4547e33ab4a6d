"""The installer's last step: a pin that moves, or the reason why none does."""

from __future__ import annotations

import importlib.util
import sys
from dataclasses import dataclass, field
from types import ModuleType, SimpleNamespace
from typing import TYPE_CHECKING, Any

import pytest

from install_stage import SOURCE
from site_files import SMALL, written

if TYPE_CHECKING:
    from pathlib import Path

OUTPUT = """
[[output]]
name = "charge"
role = "charge-permit"
pin = "GPIO17"
active_low = {low}
[gpio]
pins = "lgpio"
"""


class Line:
    """A line that remembers its levels; a stuck one reads high for ever."""

    def __init__(self, *, is_stuck: bool = False) -> None:
        self.levels: list[bool] = []
        self._is_stuck = is_stuck
        self.is_let_go = False

    @property
    def value(self) -> bool:
        return self._is_stuck or self.levels[-1]

    @value.setter
    def value(self, level: bool) -> None:
        self.levels.append(level)

    def off(self) -> None:
        self.levels.append(False)

    def close(self) -> None:
        self.is_let_go = True


@dataclass
class Bench:
    """The script, a /dev with a chip, an lgpio that opens it, and one line.

    Attributes:
        asked: How lines were claimed.
    """

    script: ModuleType
    folder: Path
    patch: pytest.MonkeyPatch
    line: Line = field(default_factory=Line)
    asked: list[dict[str, Any]] = field(default_factory=list)

    def __post_init__(self) -> None:
        self.devices = self.folder / "dev"
        self.devices.mkdir()
        (self.devices / "gpiochip0").touch()
        self.lgpio(
            SimpleNamespace(
                gpiochip_open=lambda number: number,
                gpio_get_chip_info=lambda _: (0, 54, "gpiochip0", "made-for-tests"),
                gpiochip_close=lambda _: None,
            )
        )

        def claimed(pin: str, **how: Any) -> tuple[Line, Line]:
            self.asked.append({"pin": pin, **how})
            return self.line, self.line

        self.patch.setattr(self.script, "claimed", claimed)

    def lgpio(self, module: Any) -> None:
        self.patch.setitem(sys.modules, "lgpio", module)

    def run(self, *words: str, site: str = SMALL) -> int:
        path = written(self.folder, site)
        code: int = self.script.main([str(path), *words], devices=self.devices)
        return code


@pytest.fixture
def bench(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Bench:
    path = SOURCE / "deploy/install/try_pin.py"
    spec = importlib.util.spec_from_file_location("try_pin", path)
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return Bench(module, tmp_path, monkeypatch)


Said = pytest.CaptureFixture[str]


def test_a_named_pin_moves_three_times_and_is_let_go_de_energised(
    bench: Bench, capsys: Said
) -> None:
    assert bench.run("--move", "GPIO27") == 0
    assert bench.line.levels == [True, False] * 3 + [False]
    assert bench.line.is_let_go
    assert bench.asked == [{"pin": "GPIO27", "active_low": False}]
    said = capsys.readouterr().out
    assert "54 lines" in said
    assert "GPIO27 moved 3 times and read back" in said


@pytest.mark.parametrize("low", ["false", "true"])
def test_a_pin_of_the_site_file_is_named_and_driven_as_it_is_wired(
    low: str, bench: Bench, capsys: Said
) -> None:
    site = SMALL + OUTPUT.format(low=low)
    assert bench.run("--move", "GPIO17", site=site) == 0
    assert bench.asked == [{"pin": "GPIO17", "active_low": low == "true"}]
    assert "GPIO17 is output charge (charge-permit)" in capsys.readouterr().out


def test_a_pin_that_does_not_follow_is_told_and_let_go(
    bench: Bench, capsys: Said
) -> None:
    bench.line = Line(is_stuck=True)
    assert bench.run("--move", "GPIO27") == 1
    assert "was de-energised and does not read so" in capsys.readouterr().err
    assert bench.line.levels[-1] is False
    assert bench.line.is_let_go


def test_no_pin_moves_that_nobody_named(bench: Bench, capsys: Said) -> None:
    assert bench.run(site=SMALL + OUTPUT.format(low="false")) == 0
    assert bench.asked == []
    assert bench.line.levels == []
    assert "no pin was moved, because none was named" in capsys.readouterr().out


def test_without_a_chip_it_says_so(bench: Bench, capsys: Said) -> None:
    (bench.devices / "gpiochip0").unlink()
    assert bench.run("--move", "GPIO27") == 1
    assert "/gpiochip*: no kernel driver offers pins" in capsys.readouterr().err
    assert bench.asked == []


@pytest.mark.parametrize(
    ("lgpio", "why"),
    [
        (None, "lgpio is not in this environment"),
        (SimpleNamespace(), "lgpio is here and empty"),
        (SimpleNamespace(gpiochip_open=lambda _: 1 / 0), "does not open: division"),
    ],
)
def test_an_lgpio_that_lacks_or_is_empty_or_fails_is_told(
    lgpio: Any, why: str, bench: Bench, capsys: Said
) -> None:
    bench.lgpio(lgpio)
    assert bench.run("--move", "GPIO27") == 1
    assert why in capsys.readouterr().err
    assert bench.asked == []


def test_a_pin_that_cannot_be_claimed_is_told_with_the_reason(
    bench: Bench, capsys: Said
) -> None:
    def busy(*_: Any, **__: Any) -> None:
        raise RuntimeError("GPIO busy")

    bench.patch.setattr(bench.script, "claimed", busy)
    assert bench.run("--move", "GPIO27") == 1
    assert "GPIO27 cannot be claimed: GPIO busy" in capsys.readouterr().err
