"""``tocsin scan``: what answers on a bus, and a site file that fits."""

from __future__ import annotations

import argparse
import asyncio
import json
import re
import shutil
import signal
import sys
from contextlib import suppress
from pathlib import Path
from typing import TYPE_CHECKING

from tocsin.cli.common import duration_ms, example, fail
from tocsin.cli.scan_dbc import compared, described
from tocsin.cli.scan_site import site_text
from tocsin.cli.scan_words import as_json, lines_of
from tocsin.clock import stopwatch_s
from tocsin.installed import SetupError, found
from tocsin.ports import LOG, CanLine, SerialLine, TcpLine
from tocsin.sightings import LAST_UNIT, ScanSpec
from tocsin_config.packs import RVC_BITRATE, SLCAN_BITRATES

if TYPE_CHECKING:
    from collections.abc import Iterable

    from tocsin.sightings import BuildScanner, Found, Scanner

ABOUT = """\
Look at a CAN bus, a Modbus line or a Modbus host for a while, and print what answers:
batteries with what they say of themselves, units, unknown identifiers with their rate
and the bytes that change; then a site file that fits. On CAN nothing is ever sent; on
Modbus registers are read, and nothing is written.
"""

EXAMPLES = """\
A CAN controller in normal mode acknowledges what it hears; so a wrong bit rate disturbs
a bus that is at work. Where the rate is not known for sure, use --listen-only (of a
serial adapter) or `ip link set can0 type can listen-only on` first; a battery that is
alone on the bus is then not heard. A Modbus line has one master: end any other first.
Ctrl-C ends the look early, and what was found so far is printed.

  tocsin scan --interface socketcan --channel can0
  tocsin scan --interface slcan --channel /dev/ttyACM0 --bitrate 250000 --for 60s
  tocsin scan --serial /dev/ttyUSB0 --baud 19200 --parity E --units 1-16
  tocsin scan --host 192.168.1.20 --out site.toml
  tocsin scan --interface log --channel bus.log      a recording of `tocsin record`

Exit codes: 0 something answers, 1 nothing does or no site file fits, 2 the arguments
are wrong.
"""
UNITS = re.compile(r"(\d{1,3})(?:-(\d{1,3}))?")
SHOW_S = 0.5

PLAYED_FAST = 1_000.0
"""A recording is looked at so many times as fast as it was made."""


def register(commands: argparse._SubParsersAction[argparse.ArgumentParser]) -> None:
    """Add the command."""
    parser = commands.add_parser(
        "scan", help="what answers on a bus, and a site file that fits"
    )
    parser.description = ABOUT
    _add_lines(parser)
    parser.add_argument(
        "--for",
        dest="for_ms",
        type=duration_ms,
        default=20_000,
        metavar="TIME",
        help="how long at most: 20s (default), 2min",
    )
    parser.add_argument("--out", metavar="SITE.toml", type=Path, help="a new site file")
    parser.add_argument("--json", action="store_true", help="one JSON object")
    example(parser, EXAMPLES)
    parser.set_defaults(run=run)


def _add_lines(parser: argparse.ArgumentParser) -> None:
    bus = parser.add_argument_group("a CAN bus")
    bus.add_argument("--interface", choices=("socketcan", "slcan", LOG))
    bus.add_argument("--channel", help="can0, /dev/ttyACM0 or a log file")
    bus.add_argument(
        "--bitrate",
        type=int,
        choices=SLCAN_BITRATES,
        help=f"of a serial adapter (default {RVC_BITRATE}, as RV-C has it); a kernel "
        "interface has its own",
        metavar="BITS",
    )
    bus.add_argument(
        "--listen-only",
        action="store_true",
        help="a serial adapter does not even acknowledge what it hears",
    )
    bus.add_argument(
        "--dbc",
        metavar="FILE.dbc",
        type=Path,
        help="names the messages that a DBC file describes, and those that never came",
    )
    wire = parser.add_argument_group("a Modbus line or host")
    wire.add_argument("--serial", metavar="DEVICE", help="/dev/ttyUSB0")
    wire.add_argument("--baud", type=int, help="default 19200")
    wire.add_argument("--parity", choices=("E", "N", "O"), help="default E")
    wire.add_argument("--stop-bits", type=int, choices=(1, 2), help="default 1")
    wire.add_argument("--host", help="a name or address; not together with --serial")
    wire.add_argument("--port", type=int, help="default 502")
    wire.add_argument("--framing", choices=("tcp", "rtu"), help="default tcp")
    wire.add_argument(
        "--units",
        type=_units,
        default=_units(f"1-{LAST_UNIT}"),
        metavar="LIST",
        help=f"which to ask, such as 1-16 or 1,3,20-30 (default 1-{LAST_UNIT})",
    )
    wire.add_argument(
        "--timeout",
        type=duration_ms,
        default=500,
        metavar="TIME",
        help="how long a unit may take to answer (default 500ms)",
    )


def _units(text: str) -> tuple[int, ...]:
    """Return the units of ``1-16,20``, each once.

    Raises:
        argparse.ArgumentTypeError: it is no such list.
    """
    units: dict[int, None] = {}
    for part in text.split(","):
        match = UNITS.fullmatch(part.strip())
        first = int(match[1]) if match else 0
        last = int(match[2] or first) if match else 0
        if not 1 <= first <= last <= LAST_UNIT:
            raise argparse.ArgumentTypeError(
                f"{part!r} are no units; write 1-16 or 1,3 with 1 to {LAST_UNIT}"
            )
        units |= dict.fromkeys(range(first, last + 1))
    return tuple(units)


def run(args: argparse.Namespace) -> int:
    """Look, say what was found, and return the exit code."""
    if wrong := _wrong(args):
        fail(wrong)
        return 2
    try:
        dbc = None if args.dbc is None else described(args.dbc)
        scanners = [_scanner(name, spec) for name, spec in _specs(args)]
    except (SetupError, ValueError, OSError) as exc:
        fail(exc)
        return 2
    is_watched = sys.stderr.isatty()
    asyncio.run(_look(scanners, args.for_ms, is_watched=is_watched))
    every = [scanner.found() for scanner in scanners]
    if dbc is not None:
        every = [compared(each, dbc) for each in every]
    return _say(args, every)


def _wrong(args: argparse.Namespace) -> str:
    """Return why these arguments cannot be followed, or an empty string."""
    is_slcan = args.interface == "slcan"
    serial_keys = (args.baud, args.parity, args.stop_bits)
    tests = (
        ((args.interface is None) is not (args.channel is None),
         "--interface and --channel belong together"),
        (not (args.interface or args.serial or args.host),
         "nothing to look at: --interface and --channel, --serial, or --host"),
        (bool(args.serial and args.host), "--serial or --host, not both"),
        (args.bitrate is not None and not is_slcan,
         "--bitrate is for a serial adapter; a kernel interface has its own"),
        (args.dbc is not None and args.interface is None,
         "--dbc is for a CAN bus: --interface and --channel"),
        (args.listen_only and not is_slcan,
         "--listen-only is for a serial adapter; for a kernel interface: ip link"),
        (not args.serial and any(key is not None for key in serial_keys),
         "--baud, --parity and --stop-bits belong to --serial"),
        (not args.host and (args.port is not None or args.framing is not None),
         "--port and --framing belong to --host"),
        (args.port is not None and not 1 <= args.port <= 65_535,  # noqa: PLR2004 of TCP
         f"{args.port} is no port number; 1 to 65535"),
        (args.baud is not None and not 300 <= args.baud <= 1_000_000,  # noqa: PLR2004 common practice
         f"{args.baud} is no baud rate; 300 to 1000000"),
        (args.timeout <= 0 or args.for_ms <= 0, "a time above 0 is needed"),
        (args.out is not None and args.out.exists(),
         f"{args.out} exists; nothing is overwritten"),
        (args.out is not None and not args.out.parent.is_dir(),
         f"{args.out} cannot be written: its folder is missing"),
    )  # fmt: skip
    return next((why for is_so, why in tests if is_so), "")


def _specs(args: argparse.Namespace) -> Iterable[tuple[str, ScanSpec]]:
    if args.interface is not None:
        bitrate = args.bitrate or RVC_BITRATE
        is_log = args.interface == LOG
        bus = CanLine(
            interface=args.interface,
            channel=str(Path(args.channel).absolute()) if is_log else args.channel,
            bitrate=bitrate if args.interface == "slcan" else None,
            is_listen_only=args.listen_only,
            speed=PLAYED_FAST if is_log else 1.0,
        )
        yield "can", ScanSpec(line=bus)
    line: TcpLine | SerialLine | None = None
    if args.host is not None:
        framing = args.framing or "tcp"
        line = TcpLine(host=args.host, port=args.port or 502, framing=framing)
    elif args.serial is not None:
        line = SerialLine(
            device=args.serial,
            baud=args.baud or 19_200,
            parity=args.parity or "E",
            stop_bits=args.stop_bits or 1,
        )
    if line is not None:
        units, timeout_ms = args.units, args.timeout
        yield "modbus", ScanSpec(line=line, units=units, timeout_ms=timeout_ms)


def _scanner(name: str, spec: ScanSpec) -> Scanner:
    build: BuildScanner = found("tocsin.scanners", name).load()
    return build(spec)


async def _look(scanners: list[Scanner], for_ms: int, *, is_watched: bool) -> None:
    """Look at every line until all is seen, the time is over, or Ctrl-C."""
    loop = asyncio.get_running_loop()
    looking = asyncio.ensure_future(_all(scanners))
    for number in (signal.SIGTERM, signal.SIGINT):
        loop.add_signal_handler(number, looking.cancel)
    ending = loop.call_later(for_ms / 1000, looking.cancel)
    showing = asyncio.create_task(_show(scanners, for_ms)) if is_watched else None
    try:
        await looking
    except asyncio.CancelledError:
        if not looking.cancelled():
            raise
    finally:
        ending.cancel()
        if showing is not None:
            showing.cancel()
            with suppress(asyncio.CancelledError):
                await showing
            print(file=sys.stderr)


async def _all(scanners: list[Scanner]) -> None:
    async with asyncio.TaskGroup() as group:
        for scanner in scanners:
            group.create_task(scanner.run())


async def _show(scanners: list[Scanner], for_ms: int) -> None:
    begun_s = stopwatch_s()
    while True:
        seconds = int(stopwatch_s() - begun_s)
        every = [scanner.found() for scanner in scanners]
        parts = [f"{seconds} of {for_ms / 1000:g} s", *map(_progress, every)]
        width = shutil.get_terminal_size().columns - 1
        line = "  ".join(parts)[:width].ljust(width)
        print(f"\r{line}", end="", file=sys.stderr, flush=True)
        await asyncio.sleep(SHOW_S)


def _progress(each: Found) -> str:
    said = each.trouble or each.extent
    number = len(each.batteries)
    return said + (f", {number} batter{'y' if number == 1 else 'ies'}" * bool(number))


def _say(args: argparse.Namespace, every: list[Found]) -> int:
    site = site_text(every)
    if args.json:
        print(json.dumps(as_json(every, site)))
    else:
        for each in every:
            print("\n".join(lines_of(each)))
    if site is not None and args.out is None and not args.json:
        print(
            f"\n# --- a site file that fits; --out FILE writes it ---\n{site}", end=""
        )
    if args.out is not None:
        return _write(args.out, site, is_told=not args.json)
    if site is None and not args.json:
        print("no site file fits: no battery can be read that belongs to a bank")
    return 1 if all(each.is_empty for each in every) else 0


def _write(path: Path, site: str | None, *, is_told: bool) -> int:
    if site is None:
        fail(f"{path} was not written: no battery can be read that belongs to a bank")
        return 1
    try:
        with path.open("x", encoding="utf-8") as file:
            file.write(site)
    except OSError as exc:
        fail(f"{path} was not written: {exc.strerror}")
        return 1
    if is_told:
        print(f"{path}: written; fill in what is NOT TOLD, then: tocsin check {path}")
    return 0
