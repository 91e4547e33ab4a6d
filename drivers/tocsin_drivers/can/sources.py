"""Entry points: the sources of every pack that is heard on a CAN bus."""

from __future__ import annotations

import asyncio
from contextlib import AsyncExitStack, asynccontextmanager
from dataclasses import dataclass
from typing import TYPE_CHECKING

from tocsin.dbc import Dbc
from tocsin.ports import DriverError
from tocsin.signals import SignalMap
from tocsin_drivers.can.alarm_status import Speaker
from tocsin_drivers.can.dbc_codec import DbcListener
from tocsin_drivers.can.link import PART, Link, link_of
from tocsin_drivers.can.rvc_frames import NAMES
from tocsin_drivers.can.rvc_reader import RvcListener

if TYPE_CHECKING:
    from collections.abc import AsyncIterator, Callable, Sequence
    from contextlib import AbstractAsyncContextManager

    from tocsin.core.events import Fact
    from tocsin.core.model import Sample
    from tocsin.ports import OnTrouble, Sources, SourceSpec
    from tocsin_drivers.can.ear import Ear
    from tocsin_drivers.can.frames import Listener

GLANCE_S = 0.05
"""A sample that is not whole yet is looked at again so soon."""

TICK_S = 0.05
"""How often a node that transmits looks whether there is something to say."""

SIGNS = {"charge-positive": True, "discharge-positive": False}


def build_dbc(specs: Sequence[SourceSpec]) -> Sources:
    """Return packs heard by a DBC file; options ``dbc`` and ``signals``.

    Raises:
        ValueError: an option is missing or does not fit; the site file should have
            said so.
    """
    return CanSources([_pack(spec, dbc_listener(spec)) for spec in specs])


def build_rvc(specs: Sequence[SourceSpec]) -> Sources:
    """Return RV-C batteries; options as the site file has them.

    Raises:
        ValueError: an option is missing or does not fit; the site file should have
            said so.
    """
    return CanSources([_pack(spec, rvc_listener(spec)) for spec in specs])


def dbc_listener(spec: SourceSpec) -> DbcListener:
    """Return what makes samples of the frames of *spec*, wherever they come from.

    Raises:
        ValueError: as of `build_dbc`.
    """
    dbc, signals = spec.options.get("dbc"), spec.options.get("signals")
    if not isinstance(dbc, Dbc) or not isinstance(signals, SignalMap):
        raise ValueError(f"pack {spec.name} has no DBC file or no signals")  # noqa: TRY004 a site's mistake
    return DbcListener(dbc, signals, cells=spec.cells)


def rvc_listener(spec: SourceSpec) -> RvcListener:
    """Return what makes samples of the frames of *spec*, wherever they come from.

    Raises:
        ValueError: as of `build_rvc`.
    """
    instance = spec.options.get("instance")
    if not isinstance(instance, int):
        raise ValueError(f"pack {spec.name} has no RV-C instance")  # noqa: TRY004 a site's mistake
    sign = spec.options.get("current_sign") or "discharge-positive"
    if sign not in SIGNS:
        raise ValueError(f"pack {spec.name} has no such current sign: {sign}")
    dgns = {name: dgn for dgn, name in NAMES.items()}
    ages = spec.options.get("max_age_s") or {}
    if unknown := sorted(set(ages) - set(dgns)):
        raise ValueError(f"pack {spec.name}: no RV-C message {unknown[0]}")
    return RvcListener(
        instance=instance,
        battery=spec.options.get("battery"),
        is_charge_positive=SIGNS[sign],
        max_age_s={dgns[name]: age_s for name, age_s in ages.items()},
    )


@dataclass(frozen=True, slots=True)
class _Voice:
    """What a pack transmits, and the frames that it must answer."""

    speaker: Speaker
    ear: Ear


@dataclass(frozen=True, slots=True)
class _Pack:
    name: str
    link: Link
    listener: Listener
    ear: Ear
    voice: _Voice | None


def _pack(spec: SourceSpec, listener: Listener) -> _Pack:
    link = link_of(spec)
    voice = None
    if spec.options.get("transmit"):
        instance = spec.options.get("instance", 1)
        speaker = Speaker(name=f"{link}/{spec.name}", instance=instance)
        voice = _Voice(speaker, link.admit(speaker))
    return _Pack(spec.name, link, listener, link.admit(listener), voice)


class CanSources:
    """Packs by name, each with its bus and its listener."""

    def __init__(self, packs: Sequence[_Pack]) -> None:
        self._packs = {pack.name: pack for pack in packs}
        self._on_trouble: OnTrouble | None = None
        self._notes = dict.fromkeys(self._packs, "")

    def report_to(self, on_trouble: OnTrouble) -> None:
        """Take whom to tell of bad buses; see `tocsin.ports.Reports`."""
        self._on_trouble = on_trouble
        for pack in self._packs.values():
            pack.link.report_to(on_trouble)

    def tell(self, facts: Sequence[Fact]) -> None:
        """Pass alarms on to the buses that are told; see `tocsin.ports.Heeds`."""
        for pack in self._packs.values():
            if pack.voice is not None:
                pack.voice.speaker.tell(facts, _now_s())

    def open(self, name: str) -> AbstractAsyncContextManager[CanSource]:
        """Return a connection to pack *name*; see `tocsin.ports.Sources.open`."""
        return self._open(name)

    @asynccontextmanager
    async def _open(self, name: str) -> AsyncIterator[CanSource]:
        pack = self._packs[name]
        async with AsyncExitStack() as stack:
            await stack.enter_async_context(pack.link.join())
            talking = None
            if pack.voice is not None:
                talking = asyncio.create_task(_talk(pack.link, pack.voice))
                stack.callback(talking.cancel)
            yield CanSource(pack, talking, self._note)

    def _note(self, name: str, note: str) -> None:
        if self._on_trouble is not None and note != self._notes[name]:
            self._notes[name] = note
            self._on_trouble(PART, f"pack {name}", note)


class CanSource:
    """One pack, its bus open."""

    def __init__(
        self,
        pack: _Pack,
        talking: asyncio.Task[None] | None,
        on_note: Callable[[str, str], None],
    ) -> None:
        self._pack = pack
        self._talking = talking
        self._on_note = on_note

    async def read(self) -> Sample:
        """Return a whole sample, as soon as there is one; see `ports.Source.read`."""
        pack = self._pack
        until_s = _now_s() + pack.listener.wait_s
        while True:
            if self._talking is not None and self._talking.done():
                self._talking.result()  # it ends by a bug only
            pack.link.check()
            now_s = _now_s()
            try:
                sample = pack.listener.sample(pack.ear.heard, now_s)
            except DriverError:
                if now_s >= until_s:
                    raise
            else:
                self._on_note(pack.name, pack.listener.note)
                return sample
            await asyncio.sleep(GLANCE_S)


async def _talk(link: Link, voice: _Voice) -> None:
    """Claim an address, then say what is due, until cancelled."""
    for frame in voice.speaker.begin(_now_s()):
        link.send(frame)
    while True:
        for frame in voice.speaker.due(voice.ear.heard, _now_s()):
            link.send(frame)
        await asyncio.sleep(TICK_S)


def _now_s() -> float:
    return asyncio.get_running_loop().time()
