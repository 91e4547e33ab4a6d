"""A serial adapter that is pulled out while the daemon reads a pack through it.

The adapter is qemu's emulated USB one; the pack at its other end is served outside the
machine, over Modbus RTU on a pty. No baud rate and no turning of a half-duplex line is
modelled.
"""

from __future__ import annotations

import asyncio
import threading
from contextlib import contextmanager
from typing import TYPE_CHECKING

from tests.vm.build import GUEST
from tests.vm.guest.bank import Hut
from tests.vm.lab import SITE, Lab, booted
from tests.vm.machine import Machine

from tocsin_drivers.simbus.server import RtuBus

if TYPE_CHECKING:
    from collections.abc import Iterator

    from tests.vm.lab import Place

UNIT = 2
ADAPTER = {
    "driver": "usb-serial",
    "chardev": "line",
    "id": "adapter",
    "bus": "usb.0",
    "serial": "1",
}
"""With a number of its own, so that its name is the same in whatever socket it is."""
TCP = 'host = "127.0.0.1"\nport = 1502\nunit = 2\n'
NAMED = "ls /dev/serial/by-id/* 2>/dev/null || true"


def run(place: Place) -> None:
    """Read through it, pull it out, plug it in again."""
    report = place.report
    with served() as pty:
        devices = ["-device", "qemu-xhci,id=usb"]
        devices += ["-chardev", f"serial,id=line,path={pty}"]
        devices += ["-device", ",".join(f"{k}={v}" for k, v in ADAPTER.items())]
        with Machine(place.image, place.folder, more=devices) as machine:
            lab = Lab(machine)
            booted(lab)
            lab.until("the adapter", lambda: bool(machine.sh(NAMED).strip()))
            name = machine.sh(NAMED).strip()
            text = (GUEST / "site.toml").read_text("utf-8")
            machine.write(SITE, text.replace(TCP, _serial(name)))
            lab.restart()
            lab.until("every permit", lab.all_permitted)
            report.check(True, f"permits rose on a pack read through {name}")
            was = lab.unit("MainPID")
            since = len(machine.events)
            machine.qmp("device_del", id=ADAPTER["id"])
            machine.event("DEVICE_DELETED", since, within_s=60)
            took_s = lab.until("charge inhibited", lab.has(charge=False))
            lab.until("the alarm", lambda: "source-lost" in lab.alarms())
            gone = not machine.sh(NAMED).strip()
            report.check(
                gone, f"pulled out: charge permit fell, {took_s:.0f} s, source-lost"
            )
            machine.qmp("device_add", **ADAPTER)
            lab.until("the adapter again", lambda: machine.sh(NAMED).strip() == name)
            back_s = lab.until("every permit", lab.all_permitted)
            report.check(
                lab.unit("MainPID") == was,
                f"plugged in again: permits are back, {back_s:.0f} s, same process",
            )


def _serial(name: str) -> str:
    return f'serial = "{name}"\nbaud = 19200\nparity = "N"\nunit = {UNIT}\n'


@contextmanager
def served() -> Iterator[str]:
    """Serve a pack on a pty, in a thread with a loop of its own; yield its path."""
    loop = asyncio.new_event_loop()
    thread = threading.Thread(target=loop.run_forever)
    thread.start()
    bus = RtuBus({UNIT: Hut().devices["right"]})
    try:
        asyncio.run_coroutine_threadsafe(bus.__aenter__(), loop).result()
        try:
            yield bus.device
        finally:
            end = bus.__aexit__(None, None, None)
            asyncio.run_coroutine_threadsafe(end, loop).result()
    finally:
        loop.call_soon_threadsafe(loop.stop)
        thread.join()
        loop.close()
