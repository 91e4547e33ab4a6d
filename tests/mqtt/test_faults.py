"""A short run of `python -m tests.campaigns.mqtt_faults`."""

from __future__ import annotations

import asyncio
from typing import TYPE_CHECKING

import pytest
from tests.campaigns import mqtt_faults

import broker
from mqtt_proxy import Tap, proxied, published, varint
from mqtt_stage import stage
from tocsin.mqtt import pause

if TYPE_CHECKING:
    from pathlib import Path


@pytest.mark.parametrize("fault", ["killed", "reset"])
def test_after_a_fault_the_broker_has_what_the_core_has_and_no_event_is_lost(
    fault: str, tmp_path: Path
) -> None:
    run = asyncio.run(mqtt_faults.play(fault, 1, tmp_path))
    assert run.wrong == []
    assert len(run.recovered_s) == 1
    assert len(run.proxy.acked) >= len(run.on.journal.rows) > 10


def test_two_daemons_with_one_name_are_found_out(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(pause, "SHORT_ROW", 2)
    monkeypatch.setattr(pause, "TAKEN_WAIT_S", 2)
    run = asyncio.run(mqtt_faults.play("twins", 1, tmp_path))
    assert run.wrong == []


def test_the_look_at_the_broker_finds_what_differs(tmp_path: Path) -> None:
    """What is asserted above can fail."""

    async def main() -> mqtt_faults.Run:
        with broker.running(tmp_path) as running:
            made = stage(running.port, tmp_path, of=mqtt_faults._site())
            with proxied(running.port) as proxy:
                run = mqtt_faults.Run(running, proxy, made)
                async with made.publisher:
                    run.change()
                return run

    run = asyncio.run(main())
    assert len(mqtt_faults.differences(run.on, {})) > 280
    assert run.lost_events() != []


@pytest.mark.parametrize(
    ("data", "value"),
    [
        (b"\x00", 0),
        (b"\x7f", 127),
        (b"\x80\x01", 128),
        (b"\xff\xff\xff\x7f", 268_435_455),
    ],
)
def test_the_tap_reads_lengths_as_the_standard_writes_them(
    data: bytes, value: int
) -> None:
    """MQTT 5.0 (OASIS, 2019), table 1-1."""
    assert varint(data, 0) == (value, len(data))
    assert varint(data[:-1] + b"\x80" if len(data) > 1 else b"", 0)[1] == -1


def test_the_tap_cuts_packets_wherever_the_stream_was_cut() -> None:
    packet = bytes((0x32, 10, 0, 3)) + b"a/b" + bytes((0, 7, 0)) + b"hi"
    for cut in range(len(packet) * 2):
        tap, stream = Tap(), packet * 2
        found = [*tap.packets(stream[:cut]), *tap.packets(stream[cut:])]
        assert [published(flags, body) for _, flags, body in found] == [
            ("a/b", 7, b"hi")
        ] * 2
