"""Breaks a real network between daemon and broker, and looks what the broker then has.

    python -m tests.campaigns.mqtt_namespaces                 # about five minutes; root
    python -m tests.campaigns.mqtt_namespaces nameless --times 3

The publisher lives in one network namespace, the broker in another, a pair of virtual
Ethernet ports between them; both go with the process. Names come from a hosts file of
its own, and no name server answers. Load, look and figures are those of `mqtt_faults`.
Exit code 0: nothing was lost, out of order or different after any fault.
"""

from __future__ import annotations

import argparse
import asyncio
import ctypes
import os
import subprocess
import sys
import tempfile
import time
from concurrent.futures import ThreadPoolExecutor
from contextlib import ExitStack
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

sys.path.insert(0, str(Path(__file__).parents[1] / "support"))

from tests.campaigns.mqtt_faults import (
    EXPIRES_S,
    KEEPALIVE_S,
    Run,
    _site,
    told,
)

import broker
from mqtt_proxy import proxied
from mqtt_stage import stage
from tocsin.clock import stopwatch_s
from tocsin.mqtt import messages

if TYPE_CHECKING:
    from collections.abc import Awaitable, Callable

NEAR, FAR = "10.77.0.1", "10.77.0.2"
NET = "10.77.0.0/24"
NAME = "broker.fern-ridge.example"
LONG_S = 3 * KEEPALIVE_S
NEW_NETWORK = 0x40000000
"""CLONE_NEWNET: unshare(2), setns(2)."""

INSIDE = "TOCSIN_CAMPAIGN_NETWORK"


@dataclass
class Network:
    """Two namespaces and the line between them.

    Attributes:
        far: Runs things in the broker's namespace, on a thread of its own.
    """

    folder: Path
    holder: subprocess.Popen[bytes]
    far: ThreadPoolExecutor

    def near_run(self, *words: str) -> None:
        subprocess.run(words, check=True)

    def far_run(self, *words: str) -> None:
        at = ("nsenter", "-t", str(self.holder.pid), "-n")
        subprocess.run([*at, *words], check=True)

    def name(self, *, is_known: bool) -> None:
        """Let the broker's name be found, or not."""
        known = f"{FAR} {NAME}\n" if is_known else ""
        (self.folder / "hosts").write_text(f"127.0.0.1 localhost\n{known}")

    def drop(self, *, is_on: bool) -> None:
        """Let no packet reach or leave the broker's side."""
        for chain in ("INPUT", "OUTPUT"):
            action = "-A" if is_on else "-D"
            self.far_run("iptables", action, chain, "-o" if chain == "OUTPUT" else "-i",
                         "far", "-j", "DROP")  # fmt: skip


def laid(folder: Path) -> Network:
    """Lay the network; what it is made of ends with this process."""
    holder = subprocess.Popen(["unshare", "--net", "sleep", "infinity"])
    own, other = Path("/proc/self/ns/net"), Path(f"/proc/{holder.pid}/ns/net")
    while other.readlink() == own.readlink():
        time.sleep(0.01)
    handle = os.open(other, os.O_RDONLY)
    libc = ctypes.CDLL(None, use_errno=True)

    def enter() -> None:
        assert libc.setns(handle, NEW_NETWORK) == 0, os.strerror(ctypes.get_errno())

    made = Network(folder, holder, ThreadPoolExecutor(1, initializer=enter))
    made.near_run(*["ip", "link", "set", "lo", "up"])
    made.near_run(*["ip", "link", "add", "near", "type", "veth", "peer", "name", "far"])
    made.near_run(*f"ip link set far netns {holder.pid}".split())
    made.near_run(*f"ip addr add {NEAR}/24 dev near".split())
    made.near_run(*["ip", "link", "set", "near", "up"])
    made.far_run(*["ip", "link", "set", "lo", "up"])
    made.far_run(*f"ip addr add {FAR}/24 dev far".split())
    made.far_run(*["ip", "link", "set", "far", "up"])
    made.name(is_known=True)
    (folder / "resolv.conf").write_text("nameserver 10.77.0.9\n")
    for file in ("hosts", "resolv.conf"):
        made.near_run("mount", "--bind", str(folder / file), f"/etc/{file}")
    return made


@dataclass
class FarRun(Run):
    """A run whose broker lives behind the line."""

    network: Network | None = None

    @property
    def line(self) -> Network:
        assert self.network is not None
        return self.network

    def kept(self) -> dict[str, bytes]:
        """Return what the broker keeps, asked on its own side."""
        return self.line.far.submit(super().kept).result()


async def unplugged(run: FarRun) -> None:
    """Pull the cable for longer than the keepalive."""
    run.line.near_run(*["ip", "link", "set", "near", "down"])
    await run.changing(LONG_S)
    run.line.near_run(*["ip", "link", "set", "near", "up"])


async def unrouted(run: FarRun) -> None:
    """Lose the route to the broker."""
    run.line.near_run(*f"ip route del {NET} dev near".split())
    await run.changing(LONG_S)
    run.line.near_run(*f"ip route add {NET} dev near src {NEAR}".split())


async def lossy(run: FarRun) -> None:
    """Lose every packet on the broker's side, both ways."""
    run.line.drop(is_on=True)
    await run.changing(LONG_S)
    run.line.drop(is_on=False)


async def vanished(run: FarRun) -> None:
    """Let the broker's host go without a word, and come back with nothing kept."""
    run.line.drop(is_on=True)
    run.running.stop()
    await asyncio.to_thread(run.proxy.reset)
    await run.changing(LONG_S)
    await asyncio.to_thread(lambda: run.line.far.submit(run.running.start).result())
    run.line.drop(is_on=False)


async def nameless(run: FarRun) -> None:
    """Let the broker's name resolve no more, and break the connection."""
    run.line.name(is_known=False)
    await asyncio.to_thread(run.proxy.reset)
    await run.changing(LONG_S)
    run.line.name(is_known=True)


FAULTS: dict[str, Callable[[FarRun], Awaitable[None]]] = {
    "unplugged": unplugged,
    "unrouted": unrouted,
    "lossy": lossy,
    "vanished": vanished,
    "nameless": nameless,
}


async def play(network: Network, name: str, times: int, folder: Path) -> FarRun:
    """Run one fault; return what was found."""
    with ExitStack() as stack:
        running = broker.Broker(folder)
        stack.callback(running.stop)
        network.far.submit(running.start).result()
        between = proxied(running.port, host="0.0.0.0")
        proxy = network.far.submit(between.__enter__).result()
        stack.callback(between.__exit__, None, None, None)
        on = stage(proxy.port, folder, of=_site(), host=NAME, keepalive_s=KEEPALIVE_S)
        run = FarRun(running, proxy, on, network=network)
        async with on.publisher:
            run.change()
            for _ in range(times):
                await run.changing(3.0)
                await FAULTS[name](run)
                await run.recovered(stopwatch_s())
        return run


def main() -> int:
    """Run the faults that were asked for; return the exit code."""
    parser = argparse.ArgumentParser(description=__doc__.split("\n", maxsplit=1)[0])
    parser.add_argument("faults", nargs="*", choices=[[], *FAULTS], default=[])
    parser.add_argument("--times", type=int, default=2, help="how often each")
    args = parser.parse_args()
    if os.geteuid() != 0:
        print("namespaces need root", file=sys.stderr)
        return 1
    if INSIDE not in os.environ:
        again = (sys.executable, "-m", "tests.campaigns.mqtt_namespaces", *sys.argv[1:])
        os.environ[INSIDE] = "1"
        os.execvp("unshare", ("unshare", "--net", "--mount", *again))
    messages.STATE_EXPIRES_S, messages.STATE_AGAIN_S = EXPIRES_S, 2
    code = 0
    with tempfile.TemporaryDirectory() as place:
        network = laid(Path(place))
        try:
            for name in args.faults or FAULTS:
                with tempfile.TemporaryDirectory() as folder:
                    run = asyncio.run(play(network, name, args.times, Path(folder)))
                print(told(name, run), flush=True)
                for text in run.wrong[:5]:
                    print(f"  WRONG: {text}")
                    code = 1
        finally:
            network.far.shutdown()
            network.holder.kill()
            network.holder.wait()
            subprocess.run(["umount", "/etc/hosts", "/etc/resolv.conf"], check=False)
    return code


if __name__ == "__main__":
    sys.exit(main())
