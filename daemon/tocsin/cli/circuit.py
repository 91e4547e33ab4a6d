"""``tocsin circuit``: is an output wired so that it works, and fails safe?"""

from __future__ import annotations

import argparse
import json
import sys
from pathlib import Path
from typing import TYPE_CHECKING, Any

from rich.console import Console
from rich.table import Table
from rich.text import Text

from tocsin.cli import circuit_words as words
from tocsin.cli.common import example, fail, load_site
from tocsin.cli.wiring_sheet import sheet
from tocsin.core.circuit import Judged, Verdict, judge
from tocsin.core.circuit.pfd import CAVEAT
from tocsin_config import judged, plain_circuit, plain_keys, suggestion

if TYPE_CHECKING:
    from collections.abc import Sequence

    from tocsin.core.circuit import Finding

ABOUT = """\
Judge on paper how outputs are wired, from the pin to the load: level at boot, current
of the pin and of all pins, coil and its suppression, what a dead controller does,
contact against direct current, fuse, fault current, cable, volt drop, volts at the load
from the emptiest to the fullest bank. With a site file: every output that has an
[output.circuit] table. Without one: the circuit that the arguments state.
"""

ENDING = """\
Each check is fine, doubtful, unsafe, or unknown, and then says which figure is missing.
Exit codes: 0 nothing is unsafe; 1 something is, or the sheet could not be written;
2 the site file or the arguments are wrong.

  tocsin circuit site.toml                      every output, for a person
  tocsin circuit site.toml --output horn --json one of them, for a program
  tocsin circuit site.toml --sheet wiring.html  a page to print, for the cabinet door
  tocsin circuit --supply-v 24 --load-a 10 --length-m 5 --area-mm2 2.5 --conductor-c 30
  tocsin circuit --chemistry lfp --cells 16 --role charge-permit --pin GPIO17 ...

Local codes, the makers' sheets and licensed practice go before what is said here.
"""

COLOURS = {
    Verdict.FINE: "green",
    Verdict.UNKNOWN: "cyan",
    Verdict.DOUBTFUL: "yellow",
    Verdict.UNSAFE: "bold red",
}

LOGS_WIDTH = 120
"""Columns where nobody is looking: a pipe or a file."""

PLAIN = "circuit"
"""What the one circuit of plain arguments is called."""


def register(commands: argparse._SubParsersAction[argparse.ArgumentParser]) -> None:
    """Add the command."""
    parser = commands.add_parser(
        "circuit",
        help="are the outputs wired so that they work, and fail safe",
        description=ABOUT,
    )
    example(parser, ENDING)
    parser.add_argument(
        "site", metavar="SITE", type=Path, nargs="?", help="the site file, TOML"
    )
    parser.add_argument("--output", metavar="NAME", help="this output of SITE alone")
    parser.add_argument("--json", action="store_true", help="one JSON object")
    parser.add_argument(
        "--sheet", metavar="FILE.html", type=_html, help="write a page to print"
    )
    own = parser.add_argument_group(
        "one circuit without a site file", "the keys of [output.circuit] and of a bank"
    )
    for key in plain_keys():
        option = f"--{key.name.replace('_', '-')}"
        about = key.right.replace("%", "%%")
        if key.kind is None:
            own.add_argument(option, action=argparse.BooleanOptionalAction, help=about)
        else:
            own.add_argument(
                option,
                type=key.kind,
                choices=key.choices or None,
                metavar="WORD" if key.choices else key.name.rsplit("_", 1)[-1].upper(),
                help=about,
            )
    parser.set_defaults(run=run)


def _html(text: str) -> Path:
    path = Path(text)
    if path.suffix.lower() not in {".html", ".htm"}:
        raise argparse.ArgumentTypeError(f"{text!r} does not end in .html")
    return path


def run(args: argparse.Namespace) -> int:
    """Judge, and return the exit code."""
    stated = {
        key.name: getattr(args, key.name)
        for key in plain_keys()
        if getattr(args, key.name) is not None
    }
    if args.site is None:
        return _plain(args, stated)
    if stated:
        given = ", ".join(f"--{name.replace('_', '-')}" for name in stated)
        fail(f"{given} beside a site file; write them into its [output.circuit]")
        return 2
    setup = load_site(args.site)
    if setup is None:
        return 2
    every, rail = judged(setup)
    if args.output is not None:
        names = [each.output for each in every]
        if args.output not in names:
            fail(f"no output {args.output!r}; {suggestion(args.output, names)}")
            return 2
        every = tuple(each for each in every if each.output == args.output)
        rail = None
    about = f"site file {setup.path.name}, sha256 {setup.sha256[:16]}"
    return _tell(args, setup.site.name, about, every, rail)


def _plain(args: argparse.Namespace, stated: dict[str, Any]) -> int:
    if not stated or args.output is not None:
        fail("a site file, or a circuit in arguments; see tocsin circuit --help")
        return 2
    circuit, problems = plain_circuit(stated)
    for problem in problems:
        fail(f"--{problem.key.replace('_', '-')}: {problem.wrong}; {problem.right}")
    if circuit is None:
        return 2
    found = judge(circuit)
    one = Judged(output=PLAIN, role=circuit.role, circuit=circuit, findings=found)
    return _tell(args, "one circuit", "from the command line", (one,), None)


def _tell(
    args: argparse.Namespace,
    site: str,
    about: str,
    every: tuple[Judged, ...],
    rail: Finding | None,
) -> int:
    if args.json:
        print(json.dumps(_report(site, every, rail)))
    else:
        _say(site, every, rail)
    if args.sheet is not None:
        try:
            args.sheet.write_text(sheet(site, about, every, rail), encoding="utf-8")
        except OSError as exc:
            fail(f"{args.sheet} was not written: {exc.strerror}")
            return 1
        print(f"wrote {args.sheet}", file=sys.stderr)
    return int(words.is_unsafe(every, rail))


def _report(site: str, every: Sequence[Judged], rail: Finding | None) -> dict[str, Any]:
    return {
        "site": site,
        "outputs": [words.as_json(each) for each in every],
        "rail": None if rail is None else words.finding_json(rail),
        "cautions": list(words.CAUTIONS),
    }


def _say(site: str, every: Sequence[Judged], rail: Finding | None) -> None:
    console = Console(highlight=False)
    if not console.is_terminal:
        console = Console(highlight=False, width=LOGS_WIDTH)
    for each in every:
        console.print(_heading(each), soft_wrap=True)
        if each.findings:
            console.print(_table(each.findings))
        if each.reliability is not None:
            console.print(f"  {words.estimate(each.reliability)}", markup=False)
        console.print()
    if rail is not None:
        console.print(_table((rail,)))
        console.print()
    if any(each.reliability is not None for each in every):
        console.print(CAVEAT)
    if not any(each.findings for each in every):
        console.print(f"{site} states no circuit; see [output.circuit]", markup=False)
    console.print(words.CAUTIONS[0])


def _heading(each: Judged) -> Text:
    said = words.tally(each.findings) if each.circuit else "no circuit stated"
    text = Text(each.output, style="bold")
    return text.append(f" ({each.role or 'no role'}): {said}", style="not bold")


def _table(findings: Sequence[Finding]) -> Table:
    table = Table(box=None, padding=(0, 1), pad_edge=True)
    table.add_column("check", no_wrap=True)
    table.add_column("verdict", no_wrap=True)
    table.add_column("because", ratio=3)
    table.add_column("change", ratio=2)
    for finding in findings:
        table.add_row(
            Text(finding.check),
            Text(finding.verdict, style=COLOURS[finding.verdict]),
            Text(finding.says),
            Text(finding.change),
        )
    return table
