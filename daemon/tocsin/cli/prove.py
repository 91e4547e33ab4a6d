"""``tocsin prove``: every output proved, with a record that someone can sign."""

from __future__ import annotations

import getpass
import json
from typing import TYPE_CHECKING, Any

from tocsin import __version__, control
from tocsin.cli.common import add_site, duration_ms, example, fail, load_site
from tocsin.cli.terminal import Nobody, Terminal
from tocsin.clock import iso_time, wall_ms
from tocsin.control import ControlError
from tocsin.prove import page, plan, progress, records, session
from tocsin.prove.desk import Desk
from tocsin.prove.person import StoppedError, choose
from tocsin.prove.records import Record, RecordError, Verdict

if TYPE_CHECKING:
    import argparse
    from pathlib import Path

    from tocsin.prove.person import Person
    from tocsin.prove.plan import Item
    from tocsin_config import Setup

DAY_MS = 86_400_000

ABOUT = """\
Prove the outputs of a running daemon, one after another: a virtual reading, worse than
the live one, drives each rule to its real outputs with its real delays. You say what
you see and hear; the time to the pin is measured. Then wires and data cables are
pulled, and the process is killed. The result is a record to print and sign.
"""

EXAMPLES = """\
  tocsin prove site.toml                     guided, from beginning to end
  tocsin prove site.toml --list              what would be proved, and nothing else
  tocsin prove site.toml --output horn       one output only
  tocsin prove site.toml --rule low-cell     one rule only
  tocsin prove site.toml --unattended        pins only; the rest is left untested
  tocsin prove site.toml --history           the records there are

Stop at any time with Ctrl-C or q: the virtual reading is withdrawn at once, and the
next `tocsin prove SITE` goes on where you stopped. A real alarm, or a lost source, ends
a step at once. The daemon must run (tocsin run SITE); to rehearse, run it with
[gpio] pins = "simulated" and packs of driver "simulated".
Exit codes: 0 nothing failed, 1 something failed or was stopped, 2 wrong arguments.
"""

NO_DAEMON = """\
{why}.
Start it: tocsin run {site}    (or its service), then prove in another terminal.
To rehearse without hardware: set [gpio] pins = "simulated" and a pack's driver =
"simulated" in a copy of the site file, and run that. A rehearsal proves nothing."""


def register(commands: argparse._SubParsersAction[argparse.ArgumentParser]) -> None:
    """Add the command."""
    parser = commands.add_parser(
        "prove", help="prove every output, with a record to sign", description=ABOUT
    )
    add_site(parser)
    for name, what in (("output", "output"), ("rule", "rule")):
        parser.add_argument(
            f"--{name}",
            action="append",
            default=[],
            metavar="NAME",
            help=f"only this {what}; may be given more than once",
        )
    parser.add_argument("--list", action="store_true", help="show the plan and stop")
    parser.add_argument("--history", action="store_true", help="show the records")
    parser.add_argument(
        "--json", action="store_true", help="with --list and --history: JSON"
    )
    parser.add_argument(
        "--unattended",
        action="store_true",
        help="ask nothing: measure the pins (outputs act for real), leave the rest",
    )
    begin = parser.add_mutually_exclusive_group()
    begin.add_argument(
        "--resume", action="store_true", help="go on with an unfinished test, unasked"
    )
    begin.add_argument(
        "--fresh", action="store_true", help="begin anew; the unfinished is recorded"
    )
    parser.add_argument("--person", default="", help="who proves")
    parser.add_argument("--qualification", default="", help="of that person")
    parser.add_argument("--witness", default="", help="who looks on")
    parser.add_argument(
        "--equipment", default="", help="test equipment, serial number, calibration due"
    )
    parser.add_argument(
        "--reason", default="", help="commissioning, periodic, a change"
    )
    parser.add_argument(
        "--interval",
        type=duration_ms,
        default=365 * DAY_MS,
        metavar="TIME",
        help="until the next proof test (default 365d)",
    )
    example(parser, EXAMPLES)
    parser.set_defaults(run=run)


def run(args: argparse.Namespace) -> int:
    """Prove, list or look back, and return the exit code."""
    setup = load_site(args.site)
    if setup is None:
        return 2
    if args.history:
        return _history(setup, as_json=args.json)
    items = _items(setup, args)
    if items is None:
        return 2
    if args.list:
        return _list(setup, items, as_json=args.json)
    person = Nobody() if args.unattended else Terminal()
    try:
        with progress.alone(setup.journal_folder):
            return _prove(setup, items, args, person)
    except RecordError as exc:
        fail(exc)
        return 1


def _items(setup: Setup, args: argparse.Namespace) -> tuple[Item, ...] | None:
    """Return what is to be proved, or None after saying which name is wrong."""
    items = plan.whole(setup.site)
    for what, asked, known in (
        ("output", args.output, {item.output for item in items} - {""}),
        ("rule", args.rule, {item.rule for item in items} - {""}),
    ):
        for name in asked:
            if name not in known:
                there = ", ".join(sorted(known)) or "none"
                fail(f"there is no {what} {name!r} to prove; there are: {there}")
                return None
    chosen = plan.chosen(items, args.output, args.rule)
    if not chosen:
        fail("no such rule drives such an output; see --list")
        return None
    return chosen


def _list(setup: Setup, items: tuple[Item, ...], *, as_json: bool) -> int:
    told = [_item(setup, item) for item in items]
    if as_json:
        print(json.dumps(told))
        return 0
    for number, each in enumerate(told, start=1):
        after = each["expected_s"]
        when = f"pin after {after:g} s" if after is not None else "by hand"
        print(f"{number:3d}  {each['item']:<44}  {when}")
    return 0


def _item(setup: Setup, item: Item) -> dict[str, Any]:
    expected = None
    if item.kind == "rule":
        rule = plan.rule_of(setup.site, item.rule)
        output = plan.output_of(setup.site, item.output)
        expected = plan.expected_ms(setup.site, rule, output) / 1000
    return {
        "item": item.name,
        "kind": item.kind,
        "output": item.output,
        "rule": item.rule,
        "subject": item.subject,
        "expected_s": expected,
    }


def _history(setup: Setup, *, as_json: bool) -> int:
    try:
        found = records.listed(setup.journal_folder)
    except RecordError as exc:
        fail(exc)
        return 1
    if as_json:
        told = [
            {"file": str(path), "damaged": record}
            if isinstance(record, str)
            else {"file": str(path), **records.as_json(record)}
            for path, record in found
        ]
        print(json.dumps(told))
        return 0
    if not found:
        print(f"no records yet in {setup.journal_folder / records.FOLDER}")
    for path, record in found:
        if isinstance(record, str):
            print(f"{path}: {record}")
            continue
        kind = "rehearsal" if record.is_rehearsal else record.reason or "-"
        same = "" if record.site_sha256 == setup.sha256 else "; limits changed since"
        print(f"{iso_time(record.ended_ms)[:10]}  {record.verdict:<8}  {kind}")
        print(f"    {session.summary(record)}{same}\n    {path.with_suffix('.html')}")
    return 0


def _prove(
    setup: Setup, items: tuple[Item, ...], args: argparse.Namespace, person: Person
) -> int:
    desk = Desk(setup=setup, person=person, record=_fresh(setup, items, args))
    try:
        desk.show()
        served = control.ask(desk.path, {"do": "record"}).get("sha256")
    except ControlError as exc:
        fail(NO_DAEMON.format(why=exc, site=args.site))
        return 1
    if served != setup.sha256:
        fail(f"the daemon was started with another {args.site}: start it again first")
        return 1
    try:
        _take_up(desk, items, args)
        session.introduce(desk)
        desk.record.overrides = desk.record.overrides or session.found_overrides(desk)
        desk.save()
        session.prove(desk, items)
        json_path, page_path = session.finish(desk)
    except (KeyboardInterrupt, StoppedError) as exc:
        _said_goodbye(desk, args.site)
        return 130 if isinstance(exc, KeyboardInterrupt) else 1
    except ControlError as exc:
        fail(f"{exc}; go on with: tocsin prove {args.site} --resume")
        return 1
    person.say(f"{session.summary(desk.record)}\nRecord to print and sign: {page_path}")
    person.say(f"The same for programs: {json_path}")
    return 1 if desk.record.verdict is Verdict.FAIL else 0


def _fresh(setup: Setup, items: tuple[Item, ...], args: argparse.Namespace) -> Record:
    return Record(
        site=setup.site.name,
        site_file=str(setup.path),
        site_sha256=setup.sha256,
        software=f"tocsin {__version__}",
        started_ms=wall_ms(),
        interval_days=args.interval / DAY_MS,
        reason=args.reason or ("unattended check" if args.unattended else ""),
        person=args.person or (getpass.getuser() if args.unattended else ""),
        qualification=args.qualification,
        witness=args.witness,
        equipment=args.equipment,
        is_rehearsal=setup.pins_driver == "simulated",
        is_unattended=args.unattended,
        is_whole=len(items) == len(plan.whole(setup.site)),
    )


def _take_up(desk: Desk, items: tuple[Item, ...], args: argparse.Namespace) -> None:
    """Go on with an unfinished test of the same plan, or put it into a record."""
    folder, person = desk.setup.journal_folder, desk.person
    old = progress.found(folder)
    if old is None:
        return
    if args.unattended and not old.is_unattended and not (args.resume or args.fresh):
        raise RecordError("a guided test is unfinished; finish it, or say --fresh")
    done = f"{len(old.results)} of {len(items)} tests are done"
    is_same = old.site_sha256 == desk.record.site_sha256 and (
        {result.item for result in old.results} <= {item.name for item in items}
    )
    key = "n" if args.fresh or not is_same else "y"
    if is_same and not (args.fresh or args.resume or args.unattended):
        question = (
            f"An unfinished test of {iso_time(old.started_ms)[:10]}: {done}. Go on?"
        )
        key = choose(person, question, {"y": "yes", "n": "begin anew"})
    if key == "y":
        desk.record = old
        old.is_unattended &= args.unattended
        person.say(f"Going on: {done}.")
        return
    why = "begun anew" if is_same else "the site file or the plan has changed"
    old.remarks = f"not finished; {why}"
    old.is_whole = False
    earlier = records.newest(folder, is_rehearsal=old.is_rehearsal)
    old.next_due_ms = session.next_due_ms(old, earlier)
    _, path = records.write(folder, old, page.html(old))
    progress.forget(folder)
    person.say(f"The unfinished test is recorded ({why}): {path}")


def _said_goodbye(desk: Desk, site: Path) -> None:
    print("\nStopped. The virtual reading is withdrawn.", flush=True)
    try:
        proving = desk.show()["proving"]
        if proving is not None and proving["state"] == "proving":
            print(f"It ends by itself in {proving['left_s']:.0f} s at the latest.")
    except ControlError as exc:
        print(f"({exc}; a stopped daemon has dropped it.)")
    print(f"What was done is kept. Go on with: tocsin prove {site}", flush=True)
