"""Every site of a fleet connects at once: what a TLS handshake costs the broker.

    python -m tests.campaigns.fleet_storm                 # 200 sites, 2,000 connections

The broker is the shipped one with its ACL, and certificates are of the shipped script.
Sites are sockets that do a whole handshake each (TLS 1.3, P-256, a certificate of their
own, nothing resumed), send an MQTT 5 CONNECT and read its CONNACK. The broker has one
thread, so the CPU time of a connection says how many it takes a second.
Exit code 0: every connection was taken.
"""

from __future__ import annotations

import argparse
import socket
import sys
import tempfile
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

sys.path.insert(0, str(Path(__file__).parents[1] / "support"))

from tests.bench.rig import Memory, cpu_s

from cabin import DEPLOY, cabin
from tocsin.clock import stopwatch_s

if TYPE_CHECKING:
    import ssl
    from collections.abc import Sequence

    from cabin import Cabin

AT_ONCE = 16
WITHIN_S = 60.0
CONNECT = bytes((0x10, 13, 0, 4, *b"MQTT", 5, 2, 0, 60, 0, 0, 0))
"""MQTT 5, 3.1.1 and 3.1.3: clean start, keep alive 60 s, no properties, an empty id."""
CONNACK = 0x20


@dataclass
class Storm:
    """What was seen.

    Attributes:
        taken: Connections that were accepted.
        took_s: From the first connection to the last answer.
        broker_s: CPU time of the broker meanwhile.
        slowest_s: Longest wait for an answer.
        held_kb: Private memory of the broker for each connection that is held.
    """

    wanted: int
    taken: int = 0
    took_s: float = 0.0
    broker_s: float = 0.0
    slowest_s: float = 0.0
    held_kb: float = 0.0


def connected(port: int, tls: ssl.SSLContext) -> tuple[socket.socket, float]:
    """Connect as a site, and return the connection and how long it took, in s.

    Raises:
        OSError: no connection, no handshake, or it is refused.
    """
    since_s = stopwatch_s()
    plain = socket.create_connection(("127.0.0.1", port), timeout=WITHIN_S)
    try:
        line = tls.wrap_socket(plain, server_hostname="localhost")
        line.sendall(CONNECT)
        answer = line.recv(256)
    except OSError:
        plain.close()
        raise
    if answer[:1] != bytes((CONNACK,)) or answer[3:4] != b"\0":
        line.close()
        raise ConnectionError(f"refused: {answer.hex()}")
    return line, stopwatch_s() - since_s


def storm(at: Cabin, contexts: Sequence[ssl.SSLContext], count: int) -> Storm:
    """Connect *count* times, each site in its turn, as fast as it goes."""
    seen, pid = Storm(count), at.running.pid
    empty_kb = Memory.of(pid).private
    held = [connected(at.port, tls)[0] for tls in contexts]
    seen.held_kb = (Memory.of(pid).private - empty_kb) / len(held)
    for line in held:
        line.close()

    def once(number: int) -> float:
        line, took_s = connected(at.port, contexts[number % len(contexts)])
        line.close()
        return took_s

    before_s, since_s = cpu_s(pid), stopwatch_s()
    with ThreadPoolExecutor(AT_ONCE) as pool:
        for done in [pool.submit(once, number) for number in range(count)]:
            if done.exception() is None:
                seen.taken += 1
                seen.slowest_s = max(seen.slowest_s, done.result())
    seen.took_s = stopwatch_s() - since_s
    seen.broker_s = cpu_s(pid) - before_s
    return seen


def told(seen: Storm) -> str:
    """Return what was seen, in words."""
    if not seen.taken:
        return f"none of {seen.wanted} connections with TLS in {seen.took_s:.1f} s"
    each_ms = 1_000 * seen.broker_s / seen.taken
    return (
        f"{seen.taken} of {seen.wanted} connections with TLS in {seen.took_s:.1f} s,"
        f" {seen.taken / seen.took_s:.0f} a second, {AT_ONCE} at once\n"
        f"CPU of the broker: {seen.broker_s:.2f} s, {each_ms:.2f} ms a connection; "
        f"one core of it takes {1_000 / each_ms:.0f} a second\n"
        f"slowest answer {seen.slowest_s * 1_000:.0f} ms; memory of the broker "
        f"{seen.held_kb:.0f} kB a connection that is held"
    )


def play(sites: int, count: int) -> Storm:
    """Run the broker, and the storm against it."""
    names = [f"hut-{number:05d}" for number in range(sites)]
    with (
        tempfile.TemporaryDirectory() as folder,
        cabin(Path(folder), of=DEPLOY / "fleet", users=names) as at,
    ):
        return storm(at, [at.tls(name) for name in names], count)


def main() -> int:
    """Run the storm that was asked for; return the exit code."""
    parser = argparse.ArgumentParser(description=__doc__.split("\n", maxsplit=1)[0])
    parser.add_argument("--sites", type=int, default=200, help="with a certificate")
    parser.add_argument("--count", type=int, default=2_000, help="connections")
    args = parser.parse_args()
    seen = play(args.sites, args.count)
    print(told(seen))
    return 0 if seen.taken == seen.wanted else 1


if __name__ == "__main__":
    sys.exit(main())
