"""The whole daemon on a mixed bank: one pack over Modbus, one over CAN, and a shunt."""

from __future__ import annotations

import asyncio
from contextlib import AsyncExitStack, asynccontextmanager, suppress
from dataclasses import replace
from functools import partial
from typing import TYPE_CHECKING, Any

from can_whole import BUS_SPEED, CanHut, FastClock
from tocsin import app
from tocsin.show import show_json
from tocsin_config import load
from tocsin_drivers.simbus.can_faults import CanFault
from tocsin_drivers.simbus.can_serve import bank_dbc, pumped, traffic_of
from tocsin_drivers.simbus.fern_ridge import make_bank
from tocsin_drivers.simbus.hut_dbc import signals_toml
from tocsin_drivers.simbus.image import sunspec_image
from tocsin_drivers.simbus.server import Device, Fault, TcpBus
from tocsin_drivers.simbus.slcan import SlcanPty
from whole_stage import QUIET, SITE, WALL_MS, Watcher

if TYPE_CHECKING:
    from collections.abc import AsyncIterator, Mapping
    from pathlib import Path

    from tocsin.core.merge import ExtraState
    from tocsin.core.site import Site
    from tocsin_drivers.simbus.pack import PackReading

SHUNT_AT = 0x0100
RIGHT_INSTANCE, SHUNT_INSTANCE = 3, 4
SHUNT_MAP = f"""\
[[source.map.point]]
role = "current"
address = {SHUNT_AT:#06x}
type = "s32"
scale = 0.001
"""


class MixedHut(CanHut):
    """What is on both buses, and the daemon that hears them."""

    devices: Mapping[str, Device]
    site: Site

    def amperes(self, **currents_a: float) -> None:
        """Let each of left, right and shunt say another current."""
        for name, current_a in currents_a.items():
            self.set(name, current_da=round(current_a * 10))

    def lose_shunt(self) -> None:
        """Silence the shunt on whichever bus it is."""
        self.devices["shunt"].break_down(Fault.DEAD)
        self.traffic.break_down(CanFault.SILENCE, "shunt rv-c")

    def find_shunt(self) -> None:
        self.devices["shunt"].repair()
        self.traffic.repair()

    def current_ma(self, pack: str) -> int | None:
        """Return what is known of the current of *pack*; 0 before the first step."""
        if not self.watcher.outcomes:
            return 0
        at = {"left": 0, "right": 1}[pack]
        sample = self.watcher.outcomes[-1].state.packs[at].sample
        return None if sample is None else sample.current_ma

    @property
    def shunt(self) -> ExtraState:
        return self.watcher.outcomes[-1].state.extras[0]

    async def hears_shunt(self, times: int) -> None:
        """Wait until the shunt was heard so often again."""
        for _ in range(times):
            heard_ms = self.shunt.heard_ms
            await self.sees(partial(self._has_heard, heard_ms))

    def _has_heard(self, before_ms: int) -> bool:
        return self.shunt.heard_ms > before_ms

    def raised(self) -> set[str]:
        """Return the alarms that are active now."""
        if not self.watcher.outcomes:
            return set()
        return {
            self.site.rules[alarm.index].name
            for alarm in self.watcher.outcomes[-1].state.alarms
            if alarm.active
        }

    def show(self) -> dict[str, Any]:
        return show_json(self.watcher.outcomes[-1], self.site, wall_ms=WALL_MS)


@asynccontextmanager
async def mixed_hut(
    folder: Path, *, right: str, shunt: str, right_says_current: bool
) -> AsyncIterator[MixedHut]:
    """Serve left as SunSpec over TCP, right over slcan on a pty, the shunt on either.

    *right* is ``dbc`` or ``rv-c``, *shunt* ``modbus-map`` or ``rv-c``.
    """
    readings = {name: replace(QUIET, name=name) for name in ("left", "right", "shunt")}
    devices = {
        "left": Device(partial(_registers, readings, "left")),
        "shunt": Device(partial(_shunt_registers, readings)),
    }
    traffic = traffic_of({name: partial(_alive, readings, name) for name in readings})
    (folder / "hut.dbc").write_text(bank_dbc(make_bank()))
    async with AsyncExitStack() as stack:
        ports = {}
        for name, device in devices.items():
            line = await stack.enter_async_context(TcpBus({1: device}))
            ports[name] = line.port
        pty = await stack.enter_async_context(SlcanPty(traffic.answers))
        await stack.enter_async_context(pumped(traffic, pty, speed=BUS_SPEED))
        path = folder / "site.toml"
        path.write_text(
            SITE.format(folder=folder / "journal").replace(
                'role = "charge-permit"', 'role = "charge-permit"\nmin_off_s = 5'
            )
            + _tcp_pack(ports["left"])
            + _can_pack(right, pty.device, says_current=right_says_current)
            + _shunt(shunt, ports["shunt"], pty.device)
        )
        setup, watcher = load(path), Watcher()
        serving = asyncio.ensure_future(
            app.serve(setup, time=FastClock(), guests=(watcher,))
        )
        hut = MixedHut(traffic, readings, serving, watcher)
        hut.devices, hut.site = devices, setup.site
        try:
            yield hut
        finally:
            serving.cancel()
            with suppress(asyncio.CancelledError):
                await serving


def _alive(readings: dict[str, PackReading], name: str) -> PackReading:
    """Return the reading with a counter that moves, as a living pack's does."""
    beat = int(asyncio.get_running_loop().time() * 10) % 60_000
    return replace(readings[name], beat=beat)


def _registers(readings: dict[str, PackReading], name: str) -> dict[int, int]:
    return sunspec_image(_alive(readings, name))


def _shunt_registers(readings: dict[str, PackReading]) -> dict[int, int]:
    bits = readings["shunt"].current_da * 100 & 0xFFFF_FFFF
    return {SHUNT_AT: bits >> 16, SHUNT_AT + 1: bits & 0xFFFF}


def _tcp_pack(port: int) -> str:
    return (
        '[[pack]]\nname = "left"\ndriver = "sunspec"\nhost = "127.0.0.1"\n'
        f"port = {port}\nunit = 1\n"
    )


def _can(driver: str, device: str) -> str:
    return (
        f'driver = "{driver}"\ninterface = "slcan"\nchannel = "{device}"\n'
        "bitrate = 250000\n"
    )


def _can_pack(driver: str, device: str, *, says_current: bool) -> str:
    head = f'[[pack]]\nname = "right"\n{_can(driver, device)}'
    if driver == "rv-c":
        return f"{head}instance = {RIGHT_INSTANCE}\n"
    signals = signals_toml("right", 16).split("\n\n")
    kept = [s for s in signals if says_current or 'role = "current"' not in s]
    return f'{head}file = "hut.dbc"\n' + "\n\n".join(kept)


def _shunt(driver: str, port: int, device: str) -> str:
    head = '[[source]]\nname = "shunt"\ngives = ["current"]\n'
    if driver == "rv-c":
        return f"{head}{_can(driver, device)}instance = {SHUNT_INSTANCE}\n"
    line = f'driver = "{driver}"\nhost = "127.0.0.1"\nport = {port}\nunit = 1\n'
    return f"{head}{line}timeout_s = 0.2\nretries = 0\n{SHUNT_MAP}"
