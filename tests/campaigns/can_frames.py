"""A million random frames: ``python -m tests.campaigns.can_frames --frames 1000000``.

Frames of all identifiers, lengths and flags (error, remote, FD), most of them with the
identifiers that are listened to, go through the real drain and the real decoders; three
packs are read twice a second. Said at the end: that nothing crashed, that
no reading that the core would take is beyond what can be, how the memory grew, and how
many frames a second the drain takes, beside a bare loop of python-can and cantools that
decodes every frame. A thousand frames count as one second.
"""

from __future__ import annotations

import argparse
import asyncio
import gc
import random
import sys
import time
from collections import Counter
from contextlib import AsyncExitStack
from pathlib import Path
from typing import TYPE_CHECKING, Any, NamedTuple
from unittest.mock import patch

import can
import cantools

sys.path.insert(0, str(Path(__file__).parents[1] / "support"))

from tests.fuzz.physical import impossible

from can_made import HUT_DBC, SMALL_ID, hut, whole
from can_rvc_dbc import RVC_DBC
from can_stage import StubBus
from tocsin.core.model import Flag
from tocsin.ports import CanLine, DriverError
from tocsin.registers import PointRole
from tocsin.signals import MappedSignal, SignalMap
from tocsin_drivers.can import link as can_link
from tocsin_drivers.can.dbc_codec import DbcListener
from tocsin_drivers.can.link import Link
from tocsin_drivers.can.rvc_reader import BATTERY_DGNS, SOURCE_DGNS, RvcListener

if TYPE_CHECKING:
    from collections.abc import Iterator

    from tocsin_drivers.can.ear import Ear
    from tocsin_drivers.can.frames import Frame, Listener

A_SECOND = 1_000
"""Frames: a busy bus."""

WILD_S = 10
CALM_S = 20
"""For so long any address sends, then for so long only the ones that should."""

MOST_MB = 4.0
"""By so much may memory grow between a tenth of the way and the end."""

PACKS = 3
CELLS = 4
SPOKEN = [
    "01 78 08 01 A8 F5 35 77",
    "01 78 D0 24 81 89 03 FC",
    "01 78 07 1C 01 D0 84 F3",
    "01 78 C9 33 00 00 FF FF",
    "01 78 10 FF FF FF FF FF",
    "01 78 05 18 01 56 01 FF",
]
RVC_CALM = [
    *zip(((dgn << 8) | 0x18000046 for dgn in SOURCE_DGNS), SPOKEN, strict=True),
    *zip(
        ((dgn << 8) | 0x18000047 for dgn in BATTERY_DGNS),
        ("02 01 " + SPOKEN[i][6:] for i in (0, 1, 2, 5)),
        strict=True,
    ),
]


def signal_map() -> SignalMap:
    """Return the hut's signals, as its site file maps them."""

    def signal(name: str, role: PointRole, index: int = 1, **more: Any) -> MappedSignal:
        message, _, own = name.partition(".")
        return MappedSignal(message=message, signal=own, role=role, index=index, **more)

    cells = [
        signal(f"Cells.Cell0{i}", PointRole.CELL, i, absent=((0x1FFB, 0x1FFF),))
        for i in range(1, CELLS + 1)
    ]
    return SignalMap(
        id_mask=0x03FFFF00,
        signals=(
            *cells,
            signal("State.Current", PointRole.CURRENT, invert=True),
            signal("State.Charge", PointRole.SOC),
            signal("State.Cold", PointRole.TEMPERATURE, 1),
            signal("State.Warm", PointRole.TEMPERATURE, 2),
            signal("State.Word", PointRole.FLAGS, bits=((0, Flag.COLD_TRIP),)),
            signal("Small.Volts", PointRole.VOLTAGE),
        ),
    )


class Chance:
    """Draws frames."""

    def __init__(self, seed: int) -> None:
        self._of = random.Random(seed)
        self._calm: list[tuple[int, bool, bytes]] = [
            (can_id, True, bytes.fromhex(data)) for can_id, data in RVC_CALM
        ]
        self._calm += [self._plain(frame) for frame in whole()]

    @staticmethod
    def _plain(frame: Frame) -> tuple[int, bool, bytes]:
        return frame.can_id, frame.is_extended, frame.data

    def second(self, *, is_wild: bool) -> list[can.Message]:
        """Return a second's frames."""
        return [self._message(is_wild=is_wild) for _ in range(A_SECOND)]

    def _message(self, *, is_wild: bool) -> can.Message:
        of = self._of
        kind = of.random()
        if kind < 0.15:
            return self._anything()
        can_id, is_extended, data = of.choice(self._calm)
        if is_wild and of.random() < 0.2:
            can_id = can_id & ~0xFF | of.randrange(256) if is_extended else can_id
        if is_wild and of.random() < 0.3:
            data = of.randbytes(of.randint(0, 8))
        elif of.random() < 0.02:
            at = of.randrange(len(data))
            data = data[:at] + of.randbytes(1) + data[at + 1 :]
        return can.Message(arbitration_id=can_id, is_extended_id=is_extended, data=data)

    def _anything(self) -> can.Message:
        of = self._of
        is_extended = of.random() < 0.5
        can_id = of.randrange(0x20000000 if is_extended else 0x800)
        kind = of.random()
        if kind < 0.1:
            error = of.randrange(0x200)
            return can.Message(
                arbitration_id=error,
                is_error_frame=True,
                is_extended_id=False,
                data=of.randbytes(8),
            )
        if kind < 0.2:
            length = of.randint(0, 8)
            return can.Message(
                arbitration_id=of.choice((can_id, SMALL_ID)) & 0x7FF,
                is_extended_id=False,
                is_remote_frame=True,
                dlc=length,
            )
        if kind < 0.3:
            wanted, is_extended, _ = of.choice(self._calm)
            size = of.choice((0, 1, 8, 12, 16, 20, 24, 32, 48, 64))
            return can.Message(
                arbitration_id=wanted,
                is_extended_id=is_extended,
                is_fd=True,
                data=of.randbytes(size),
            )
        data = of.randbytes(of.randint(0, 8))
        return can.Message(arbitration_id=can_id, is_extended_id=is_extended, data=data)


class Spent(NamedTuple):
    """CPU time of the drain, and of all with the readings."""

    drain_s: float
    all_s: float


class Clock:
    """A thousand frames are a second."""

    now_s = 0.0

    def __call__(self) -> float:
        """Return the time."""
        return self.now_s


def seconds(frames: int, seed: int) -> Iterator[list[can.Message]]:
    """Yield the frames of each second, wild and calm times in turn."""
    chance = Chance(seed)
    for second in range(max(1, frames // A_SECOND)):
        is_wild = second % (WILD_S + CALM_S) < WILD_S
        yield chance.second(is_wild=is_wild)


def memory_mb() -> float:
    """Return what this process holds now."""
    gc.collect()
    pages = int(Path("/proc/self/statm").read_text(encoding="ascii").split()[1])
    return pages * 4_096 / 1e6


def look(
    ears: dict[str, tuple[Listener, Ear]], now_s: float, seen: Counter[str]
) -> None:
    """Read every pack, and count what came of it."""
    for name, (listener, ear) in ears.items():
        try:
            sample = listener.sample(ear.heard, now_s)
        except DriverError:
            seen[f"{name}: none"] += 1
            continue
        seen[f"{name}: readings"] += 1
        if wrong := impossible(sample, CELLS):
            seen[f"IMPOSSIBLE {name}: {wrong}"] += 1


async def drained(frames: int, seed: int) -> tuple[Spent, float, Counter[str]]:
    """Return seconds of CPU, growth in MB, and what was seen."""
    clock, seen = Clock(), Counter[str]()
    bus = StubBus()
    link = Link(CanLine(interface="virtual", channel="campaign"))
    listeners: dict[str, Listener] = {
        "rv-c source": RvcListener(instance=1),
        "rv-c battery": RvcListener(instance=1, battery=2),
        "dbc": DbcListener(hut(), signal_map(), cells=CELLS),
    }
    ears = {name: (each, link.admit(each)) for name, each in listeners.items()}
    drain_s, spent_s, first_mb = 0.0, 0.0, 0.0
    async with AsyncExitStack() as stack:
        staged = patch.multiple(can_link, _now_s=clock, new_bus=lambda *_: bus)
        stack.enter_context(staged)
        await stack.enter_async_context(link.join())
        for number, messages in enumerate(seconds(frames, seed)):
            for half in (messages[: A_SECOND // 2], messages[A_SECOND // 2 :]):
                begun_s = time.process_time()
                bus.put(*half)
                while bus.frames:  # noqa: ASYNC110 the drain has no event
                    await asyncio.sleep(0)
                link.check()
                clock.now_s += 0.5
                drained_s = time.process_time()
                look(ears, clock.now_s, seen)
                drain_s += drained_s - begun_s
                spent_s += time.process_time() - begun_s
            kept = max(len(ear.heard) for _, ear in ears.values())
            seen["most frames kept"] = max(seen["most frames kept"], kept)
            if number == frames // A_SECOND // 10:
                first_mb = memory_mb()
        grown_mb = memory_mb() - first_mb
        seen.update({str(ill): n for ill, n in link.health.counts.items()})
    return Spent(drain_s, spent_s), grown_mb, seen


def bare(frames: int, seed: int) -> tuple[float, int]:
    """Return seconds and frames decoded of the loop that the libraries suggest."""
    database: Any = cantools.database.Database()
    database.add_dbc_string(RVC_DBC)
    database.add_dbc_string(HUT_DBC)
    bus, spent_s, decoded = StubBus(), 0.0, 0
    for messages in seconds(frames, seed):
        begun_s = time.process_time()
        bus.put(*messages)
        while (message := bus.recv(0)) is not None:
            try:
                database.decode_message(message.arbitration_id, message.data)
                decoded += 1
            except (KeyError, cantools.Error, ValueError):
                pass
        spent_s += time.process_time() - begun_s
    bus.shutdown()
    return spent_s, decoded


def is_sound(grown_mb: float, seen: Counter[str]) -> bool:
    """Return whether every pack was read, no value impossible, and memory flat."""
    readings = [what for what in seen if what.endswith(": readings")]
    wrong = [what for what in seen if what.startswith("IMPOSSIBLE")]
    return not wrong and len(readings) == PACKS and grown_mb < MOST_MB


def main() -> int:
    """Run, print, and return 1 if something was wrong."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--frames", type=int, default=1_000_000)
    parser.add_argument("--seed", type=int, default=1)
    args = parser.parse_args()
    spent, grown_mb, seen = asyncio.run(drained(args.frames, args.seed))
    for what, count in sorted(seen.items()):
        print(f"{count:9} {what}")
    few = min(args.frames, 100_000)
    bare_s, decoded = bare(few, args.seed)
    theirs = few / bare_s
    print(f"{args.frames} frames, memory grew by {grown_mb:.2f} MB")
    print(f"{theirs:9.0f} frames/s by a bare loop that decodes {decoded} of {few}")
    for what, spent_s in (
        (f"drained for {PACKS} packs", spent.drain_s),
        ("and read twice a second", spent.all_s),
    ):
        ours = args.frames / spent_s
        print(f"{ours:9.0f} frames/s {what}, {ours / theirs:.2f} times the bare loop")
    sound = is_sound(grown_mb, seen)
    print("sound" if sound else "NOT SOUND")
    return 0 if sound else 1


if __name__ == "__main__":
    sys.exit(main())
