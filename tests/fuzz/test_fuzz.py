"""A short run of each target of `python -m tests.fuzz`, and faults it must find."""

from __future__ import annotations

import json
import re
import signal
from contextlib import contextmanager
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any
from unittest.mock import patch
from urllib.parse import urlsplit

import pytest
from tests.fuzz import campaign, mutate
from tests.fuzz.__main__ import Watch
from tests.fuzz.campaign import Result, Target, run
from tests.fuzz.targets import TARGETS

if TYPE_CHECKING:
    from collections.abc import Iterator

    from tests.fuzz.campaign import Look

FEW = {"site-file": 60, "learned": 80, "dbc-text": 120}
"""So few of what takes long, else 250."""

MANY = 4_000
SEED = 20_260


@pytest.mark.parametrize("name", TARGETS)
def test_nothing_but_sound_values_and_documented_errors_comes_out(name: str) -> None:
    result = run(TARGETS[name], FEW.get(name, 250), SEED)
    assert not result.failures, result.failures
    assert result.trouble == ""
    assert result.taken > 5
    assert result.refused > 5


@dataclass(frozen=True)
class Fault:
    """A mistake in the product: what is replaced, by what, and who must see it."""

    target: str
    where: str
    new: Any
    said: str


def unchecked(_self: object, value: int, _what: str) -> int:
    return value


def same_site(headers: dict[str, str]) -> bool:
    origin = headers.get("origin")
    return origin is None or urlsplit(origin).netloc == headers.get("host")


FAULTS = [
    Fault(
        "modbus-registers",
        "tocsin_drivers.quantities.Quantity.checked",
        unchecked,
        "came out",
    ),
    Fault(
        "modbus-tcp",
        "tocsin_drivers.modbus.link._registers",
        lambda reply, _ask: tuple(reply.registers),
        "registers",
    ),
    Fault(
        "modbus-rtu",
        "tocsin_drivers.modbus.link._registers",
        lambda reply, _ask: tuple(reply.registers),
        "registers",
    ),
    Fault(
        "sunspec",
        "tocsin_drivers.modbus.sunspec_facts.text_of",
        lambda registers, _place: "".join(map(chr, registers[2:9])),
        "not to be printed",
    ),
    Fault(
        "can-frames",
        "tocsin_drivers.quantities.Quantity.checked",
        unchecked,
        "came out",
    ),
    Fault("dbc-text", "tocsin.dbc._line", lambda _exc: "", "where and why"),
    Fault("candump-log", "tocsin_drivers.can.buses.LONGEST_S", 1e999, "a time of"),
    Fault(
        "site-file",
        "tocsin_config.document.Document.line",
        lambda _self, _path: 0,
        "no line 0",
    ),
    Fault(
        "map-file",
        "tocsin_drivers.quantities.Quantity.checked",
        unchecked,
        "came out",
    ),
    Fault("trace", "tocsin.core.measures.LARGEST_MA", 10**15, "the core takes"),
    Fault(
        "mqtt-command",
        "tocsin.mqtt.commands._once",
        dict,
        "was obeyed",
    ),
    Fault("control-line", "tocsin.control._object", json.loads, "Error"),
    Fault("page-request", "tocsin.page.desk.is_same_site", same_site, "ValueError"),
    Fault(
        "page-request",
        "tocsin.page.desk.brings_key",
        lambda *_: True,
        "had not signed in",
    ),
    Fault("learned", "tocsin.files.parsed", json.loads, "Error"),
    Fault("counts", "tocsin.files.parsed", json.loads, "Error"),
    Fault("proof-record", "tocsin.files.parsed", json.loads, "Error"),
    Fault(
        "history-block",
        "tocsin.history.blocks.BlockError",
        type("OtherError", (Exception,), {}),
        "OtherError",
    ),
]


@pytest.mark.parametrize("fault", FAULTS, ids=lambda fault: f"{fault.target}")
def test_a_planted_fault_is_found(
    fault: Fault, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(campaign, "MOST_KINDS", 1)
    monkeypatch.setattr(campaign, "A_WHILE", 50)
    with patch(fault.where, fault.new):
        result = run(TARGETS[fault.target], MANY, SEED)
    assert any(fault.said in each.text for each in result.failures.values()), result
    assert "kinds of failure" in result.trouble


def test_every_target_has_a_planted_fault() -> None:
    assert {fault.target for fault in FAULTS} == set(TARGETS)


def test_the_same_seed_gives_the_same_campaign() -> None:
    one, two = (run(TARGETS["trace"], 200, 5) for _ in range(2))
    assert one.shapes == two.shapes
    assert run(TARGETS["trace"], 200, 6).shapes != one.shapes


@pytest.mark.parametrize("number", [signal.SIGTERM, signal.SIGINT])
def test_a_campaign_that_is_asked_to_end_has_its_totals(number: int) -> None:
    before = {each: signal.getsignal(each) for each in (signal.SIGTERM, signal.SIGINT)}
    try:
        watch = Watch()

        def told(result: Result) -> bool:
            if result.inputs > 300:
                signal.raise_signal(number)
            return watch.progress(result)

        result = run(TARGETS["trace"], 1_000_000, 5, told)
    finally:
        for each, handler in before.items():
            signal.signal(each, handler)
    assert watch.is_stopped
    assert 300 < result.inputs < 10_000
    assert result.taken + result.refused == result.inputs


def test_what_takes_all_memory_is_no_refusal() -> None:
    def look(data: bytes) -> str:
        return "is no DBC file: MemoryError" if len(data) % 2 else refusing(data)

    assert "kinds of failure" in run(made(look), 200, 1).trouble


def made(look: Look, **more: Any) -> Target:
    """Return a target of one sound input, which *look* is given."""

    @contextmanager
    def opened() -> Iterator[Look]:
        yield look

    values: dict[str, Any] = {
        "name": "made",
        "what": "made for a test",
        "corpus": lambda: [b"sound"],
        "mutated": mutate.by_bytes,
        "opened": opened,
        "says": re.compile(r"byte \d+: .+"),
    }
    return Target(**values | more)


def refusing(data: bytes) -> str:
    return "" if data.startswith(b"s") else "byte 0: no s"


def test_a_refusal_without_a_place_is_a_failure() -> None:
    result = run(made(lambda data: refusing(data).partition(": ")[2]), 200, 1)
    (failure,) = result.failures.values()
    assert "where and why" in failure.text


def test_an_input_without_end_is_cut_off_and_told() -> None:
    def endless(data: bytes) -> str:
        while not data.startswith(b"s"):
            pass
        return ""

    result = run(made(endless, most_s=0.02), 4, 1)
    assert any("come to an end" in f.text for f in result.failures.values())
    assert result.slowest[0] >= 0.02


def test_memory_that_grows_is_told(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(campaign, "FEW", 100)
    kept = list[bytearray]()

    def leaking(data: bytes) -> str:
        kept.append(bytearray(b"x" * 100_000))
        return refusing(data)

    assert "memory grew" in run(made(leaking), 400, 1).trouble
    assert run(made(refusing), 400, 1).trouble == ""


def test_a_campaign_that_refuses_nothing_shows_nothing() -> None:
    assert "nothing refused" in run(made(lambda _: ""), 50, 1).trouble
