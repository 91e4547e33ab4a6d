"""``tocsin fleet``: on a fleet's own machine, keep what sites tell, and list them."""

from __future__ import annotations

import argparse
import asyncio
import json
import os
import re
import signal
import socket
import sys
from pathlib import Path
from typing import TYPE_CHECKING

from tocsin.cli.common import duration_ms, example, fail
from tocsin.cli.fleet_words import table
from tocsin.clock import wall_ms
from tocsin.fleet import Collector, Limits, StoreError, standings
from tocsin.ports import BrokerSpec, Tls
from tocsin.tls import TlsError
from tocsin_config.tls import port_of

if TYPE_CHECKING:
    from tocsin.fleet.store import Store

ABOUT = """\
For a machine that looks after many sites. Each site's daemon, with a [fleet] table in
its site file, tells a broker of yours; `collect` stores that in PostgreSQL, `list` says
how the sites stand. Nothing here can change anything at a site.
"""
ABOUT_COLLECT = """\
Store what sites tell, until stopped (SIGTERM, Ctrl-C). An event is acknowledged to the
broker only once the database has it, so neither a crash here nor a database that is
down loses one, and one that comes twice is stored once. Several may run at once in one
group and divide the work; each needs a --name of its own, under which the broker keeps
what comes while it is away. The tables are made, and brought up to date, by this
command; where TimescaleDB's functions are installed, summaries become a hypertable.
"""
ABOUT_LIST = """\
How the sites stand, worst first: silent, alarmed, short of minutes, due for a proof
test, events missing. What nobody hears of counts as the worst.
"""
COLLECT_EXAMPLES = """\
  tocsin fleet collect --database "dbname=fleet" --host fleet.example.org \\
      --ca ca.crt --certificate collector.crt --key collector.key --name one
  tocsin fleet collect ... --name two            beside it, in the same group
  tocsin fleet collect ... --name two --retire   take it out of the group for good
TOCSIN_FLEET_DATABASE stands for --database. A password in --database can be seen by
everybody on this machine: use ~/.pgpass, a service file or a local socket.
deploy/fleet/README.md says how to set up broker, database and service.
Exit codes: 0 stopped when told, 1 failed, 2 the arguments are wrong.
"""
LIST_EXAMPLES = """\
  tocsin fleet list --database "dbname=fleet"
  tocsin fleet list --json | jq 'select(.rank != "all-right") | .site'
  tocsin fleet list --silent-after 10min --short-of 2h --proof-within 90d
Exit codes: 0 listed, whatever the list says; 1 no database; 2 the arguments are wrong.
"""
NAME = re.compile(r"[A-Za-z0-9_-]{1,64}")


def register(commands: argparse._SubParsersAction[argparse.ArgumentParser]) -> None:
    """Add the command and its own commands."""
    parser = commands.add_parser(
        "fleet", help="keep what many sites tell, and list them", description=ABOUT
    )
    example(parser, "tocsin fleet WHAT --help teaches each of them.")
    below = parser.add_subparsers(dest="asked", metavar="WHAT", required=True)
    collect = below.add_parser(
        "collect", help="store what sites tell", description=ABOUT_COLLECT
    )
    _add_database(collect)
    _add_broker(collect)
    collect.add_argument(
        "--group", metavar="NAME", type=_name, default="fleet",
        help="who divides the work (default: fleet)",
    )  # fmt: skip
    collect.add_argument(
        "--name", metavar="NAME", type=_name,
        help="our own in the group (default: this machine's name)",
    )  # fmt: skip
    collect.add_argument(
        "--retire",
        action="store_true",
        help="store what the broker holds for --name, leave the group, and end",
    )
    example(collect, COLLECT_EXAMPLES)
    collect.set_defaults(run=run_collect)
    listed = below.add_parser("list", help="how they stand", description=ABOUT_LIST)
    _add_database(listed)
    for flag, usual, what in (
        ("--silent-after", "5min", "a site is silent after so long"),
        ("--short-of", "60min", "a site is short with less than so long left"),
        ("--proof-within", "30d", "a proof test is due within so long"),
    ):
        listed.add_argument(
            flag, metavar="TIME", type=duration_ms, default=duration_ms(usual),
            help=f"{what} (default: {usual})",
        )  # fmt: skip
    listed.add_argument("--json", action="store_true", help="one object a line")
    example(listed, LIST_EXAMPLES)
    listed.set_defaults(run=run_list)


def _add_database(parser: argparse.ArgumentParser) -> None:
    parser.add_argument(
        "--database", metavar="DSN", default=os.environ.get("TOCSIN_FLEET_DATABASE"),
        help='as libpq has it, such as "dbname=fleet" or postgresql://host/fleet',
    )  # fmt: skip


def _add_broker(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("--host", required=True, help="the fleet's broker")
    parser.add_argument("--port", type=int, help="default: 1883, with --ca 8883")
    parser.add_argument("--username", default="", metavar="NAME")
    parser.add_argument("--password-file", type=Path, metavar="FILE")
    parser.add_argument("--ca", type=Path, metavar="FILE", help="use TLS: who signed")
    parser.add_argument("--certificate", type=Path, metavar="FILE", help="our own")
    parser.add_argument("--key", type=Path, metavar="FILE", help="of --certificate")


def _name(text: str) -> str:
    if not NAME.fullmatch(text):
        raise argparse.ArgumentTypeError(
            f"{text!r} is no name of 1 to 64 letters, digits, - and _"
        )
    return text


def run_list(args: argparse.Namespace) -> int:
    """List the sites, and return the exit code."""
    if (store := _store(args)) is None:
        return 2
    limits = Limits(
        silent_s=args.silent_after / 1_000,
        short_min=args.short_of / 60_000,
        proof_ms=args.proof_within,
    )
    try:
        found = standings(store.sites(), limits, wall_ms=wall_ms())
    except StoreError as exc:
        fail(f"the database cannot be read: {exc}")
        return 1
    finally:
        store.close()
    if args.json:
        for each in found:
            print(json.dumps(each.told(), ensure_ascii=False))
    else:
        table(found)
    return 0


def run_collect(args: argparse.Namespace) -> int:
    """Store what comes until told to stop, and return the exit code."""
    if (store := _store(args)) is None:
        return 2
    if wrong := _wrong(args):
        fail(wrong)
        return 2
    try:
        return asyncio.run(_collect(args, store))
    except StoreError as exc:
        fail(f"the database: {exc}")
    except TlsError as exc:
        fail(exc)
    return 1


def _wrong(args: argparse.Namespace) -> str:
    if args.key and not args.certificate:
        return "--key without --certificate"
    if args.certificate and not args.ca:
        return "--certificate without --ca"
    if args.password_file and not args.username:
        return "--password-file without --username"
    if args.port is not None and not 0 < args.port < 65_536:  # noqa: PLR2004 16 bits
        return f"--port {args.port} is no port"
    return ""


def _store(args: argparse.Namespace) -> Store | None:
    if not args.database:
        fail("no --database and no TOCSIN_FLEET_DATABASE: which database?")
        return None
    try:
        from tocsin.fleet.store import Store  # noqa: PLC0415 it is an extra
    except ImportError as exc:
        fail(
            f"what a fleet needs is not installed: pip install 'tocsin[fleet]' ({exc})"
        )
        return None
    return Store(args.database)


async def _collect(args: argparse.Namespace, store: Store) -> int:
    task = asyncio.current_task()
    for number in (signal.SIGTERM, signal.SIGINT):
        if task is not None:
            asyncio.get_running_loop().add_signal_handler(number, task.cancel)
    collector = Collector(
        _broker(args),
        store,
        name=args.name or socket.gethostname().partition(".")[0],
        group=args.group,
        say=_say,
    )
    try:
        await _prepare(store)
        if not args.retire:
            await collector.run()
        elif not await collector.leave():
            fail("no broker; nothing was done")
            return 1
    except asyncio.CancelledError:
        pass
    _say(collector.counts.words())
    return 0


async def _prepare(store: Store) -> None:
    """Wait for the database, and make its tables.

    Raises:
        StoreError: waiting does not help.
    """
    said = ""
    while True:
        try:
            version = await asyncio.to_thread(store.prepare)
        except StoreError as exc:
            if not exc.is_passing:
                raise
            if str(exc) != said:
                said = str(exc)
                _say(f"no database yet: {said}")
            await asyncio.sleep(WAIT_S)
        else:
            _say(f"the database has version {version} of the tables")
            return


WAIT_S = 2.0


def _broker(args: argparse.Namespace) -> BrokerSpec:
    tls = None
    if args.ca is not None:
        tls = Tls(ca=args.ca, certificate=args.certificate, key=args.key)
    return BrokerSpec(
        host=args.host,
        port=port_of(args.port, tls),
        username=args.username,
        password_file=args.password_file,
        tls=tls,
    )


def _say(text: str) -> None:
    print(f"tocsin: {text}", file=sys.stderr, flush=True)
