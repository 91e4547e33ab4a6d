"""``tocsin check``: everything wrong or doubtful with a site file, all at once."""

from __future__ import annotations

import argparse
import json
import sys
from importlib.metadata import entry_points
from pathlib import Path
from typing import TYPE_CHECKING, Any

from tocsin.cli import circuit_words, history_words, lead_plot, lead_words, tls_words
from tocsin.core.circuit.pfd import CAVEAT
from tocsin.core.extras import SHOWN_IN
from tocsin.core.paper import Side, on_paper
from tocsin.prove.standing import standing, standing_words
from tocsin_config import (
    Problem,
    Setup,
    SiteFileError,
    action_word,
    cautions,
    doubts,
    driven_by,
    judged,
    load,
    short_limits,
)

if TYPE_CHECKING:
    from collections.abc import Iterable, Sequence

    from tocsin.core.paper import Paper
    from tocsin.core.rules import Rule

ABOUT = """\
Read a site file and say everything that is wrong with it, with lines; then what is
legal but doubtful, circuits of outputs among it; then the rules as they will work,
every limit worked out, and what moves which output, and how likely it fails; then the
time every voltage limit gives before the protector cuts off, over currents,
temperatures and age. Nothing is switched and no battery is asked.
"""

ENDING = """\
A line says: file:line: key: what is wrong; what would be right.
Exit codes: 0 the file can be used (doubts allowed), 2 it is wrong; 1 it can be used but
the picture could not be drawn.

  tocsin check site.toml                   for a person
  tocsin check site.toml --table           every lead time, not the least and most only
  tocsin check site.toml --plot leads.svg  the same to look at
  tocsin check site.toml --json            for a program: ok, errors, doubts, rules,
                                           outputs, sources, circuits, inputs,
                                           cautions, history, lead_times, proof
  tocsin circuit site.toml                 every circuit, whole

A sound file is not a safe installation: prove every output at the site, and follow
local codes and the battery maker's sheet. Tocsin is never the protection.
"""

RULE_HEAD = ("rule", "measure", "trip", "clear", "delay", "priority", "acts on")
SOURCE_HEAD = ("source", "of", "gives, and how far others may be from it")
INPUT_HEAD = ("input", "role", "of", "pin", "active", "pull", "debounce")
OUTPUT_HEAD = ("output", "role", "stage", "pin", "driven by")


def register(commands: argparse._SubParsersAction[argparse.ArgumentParser]) -> None:
    """Add the command."""
    parser = commands.add_parser(
        "check",
        help="everything wrong or doubtful with a site file, with lines",
        description=ABOUT,
        epilog=ENDING,
        formatter_class=argparse.RawDescriptionHelpFormatter,
    )
    parser.add_argument("site", metavar="SITE", type=Path, help="the site file, TOML")
    parser.add_argument("--json", action="store_true", help="one JSON object")
    parser.add_argument(
        "--table", action="store_true", help="every lead time, not a line a limit"
    )
    parser.add_argument(
        "--plot",
        metavar="FILE.svg",
        type=_svg,
        help="draw the lead times into FILE.svg",
    )
    parser.set_defaults(run=run)


def _svg(text: str) -> Path:
    path = Path(text)
    if path.suffix.lower() != ".svg":
        raise argparse.ArgumentTypeError(f"{text!r} does not end in .svg")
    return path


def run(args: argparse.Namespace) -> int:
    """Check, and return the exit code."""
    setup: Setup | None = None
    errors: tuple[Problem, ...] = ()
    doubtful: tuple[Problem, ...] = ()
    paper: Paper | None = None
    try:
        setup = load(args.site)
    except SiteFileError as exc:
        errors = exc.problems
    else:
        paper = on_paper(setup.site)
        found = (
            *(*doubts(setup), *_not_installed(setup)),
            *(*short_limits(setup, paper), *history_words.doubts(setup)),
            *tls_words.doubts(setup),
        )
        doubtful = tuple(sorted(found))
    if args.json:
        print(json.dumps(_report(setup, errors, doubtful, paper)))
    else:
        _say(args.site, setup, errors, doubtful)
        if setup is not None:
            _say_leads(setup, paper, whole=args.table)
            print(f"\n{standing_words(standing(setup))}")
    if errors or setup is None:
        return 2
    return 0 if args.plot is None else _plot(args.plot, setup, paper)


def _plot(path: Path, setup: Setup, paper: Paper | None) -> int:
    if paper is None:
        why = lead_words.NO_CURVE.format(setup.site.chemistry.name)
    else:
        try:
            path.write_text(lead_plot.picture(setup.site, paper), encoding="utf-8")
        except OSError as exc:
            why = str(exc.strerror)
        else:
            return 0
    print(f"tocsin: {path} was not drawn: {why}", file=sys.stderr)
    return 1


def _not_installed(setup: Setup) -> list[Problem]:
    """Return a doubt for each driver that this installation does not have."""
    installed = entry_points(group="tocsin.sources").names
    origin = setup.origin
    return [
        origin.document.problem(
            (table, i, "driver"),
            f"no driver {source.driver} is installed: `run` cannot read {source.name}",
            f"one of {', '.join(sorted(installed))}",
        )
        for table, sources in (("pack", setup.sources), ("source", setup.extras))
        for i, source in enumerate(sources)
        if origin is not None
        and not source.is_only_recorded
        and source.driver not in installed
    ]


def _report(
    setup: Setup | None,
    errors: Sequence[Problem],
    doubtful: Sequence[Problem],
    paper: Paper | None,
) -> dict[str, Any]:
    return {
        "ok": not errors,
        "errors": [_problem(problem) for problem in errors],
        "doubts": [_problem(problem) for problem in doubtful],
        "rules": [] if setup is None else [_rule(rule) for rule in setup.site.rules],
        "outputs": [] if setup is None else _outputs(setup),
        "sources": [] if setup is None else _sources(setup),
        "circuits": [] if setup is None else _circuits(setup),
        "inputs": [] if setup is None else _inputs(setup),
        "cautions": [] if setup is None else list(cautions(setup)),
        "history": None if setup is None else history_words.as_json(setup),
        "lead_times": None
        if setup is None or paper is None
        else lead_words.as_json(setup.site, paper),
        "proof": None if setup is None else standing(setup),
    }


def _problem(problem: Problem) -> dict[str, Any]:
    return {
        "file": str(problem.file),
        "line": problem.line,
        "key": problem.key,
        "wrong": problem.wrong,
        "right": problem.right,
    }


def _rule(rule: Rule) -> dict[str, Any]:
    unit = rule.measure.unit
    return {
        "rule": rule.name,
        "measure": rule.measure.value,
        "trip": unit.shown(rule.trip_at),
        "clear": unit.shown(rule.clear_at),
        "unit": unit.symbol,
        "delay_s": rule.on_delay_ms / 1_000,
        "priority": rule.priority.value,
        "actions": _actions(rule),
    }


def _actions(rule: Rule) -> list[str]:
    return [action_word(action) for action in rule.actions]


def _outputs(setup: Setup) -> list[dict[str, Any]]:
    return [
        {
            "output": output.name,
            "role": output.role.value,
            "stage": output.stage or None,
            "pin": pin.pin,
            "active_low": pin.active_low,
            "rules": list(driven_by(output, setup.site.rules)),
        }
        for output, pin in zip(setup.site.outputs, setup.pins, strict=True)
    ]


def _sources(setup: Setup) -> list[dict[str, Any]]:
    """Return sources beside the packs' own, and how far others may be from them."""
    return [
        {
            "source": extra.name,
            "of": extra.of,
            "gives": [value.value for value in extra.values],
            "agree": {
                value.value: {
                    "fixed": SHOWN_IN[value].shown(agreement.fixed),
                    "unit": SHOWN_IN[value].symbol,
                    "pct": agreement.permille / 10,
                }
                for value, agreement in extra.gives
            },
        }
        for extra in setup.site.extras
    ]


def _source_row(source: dict[str, Any]) -> tuple[str, ...]:
    apart = (
        f"{value} {each['fixed']:g} {each['unit']}"
        + (f" + {each['pct']:g} %" if each["pct"] else "")
        for value, each in source["agree"].items()
    )
    return source["source"], source["of"], ", ".join(apart)


def _circuits(setup: Setup) -> list[dict[str, Any]]:
    """Return the outputs whose wiring is stated, judged."""
    every, _ = judged(setup)
    return [
        circuit_words.as_json(each)
        for each in every
        if each.circuit is not None or each.reliability is not None
    ]


def _inputs(setup: Setup) -> list[dict[str, Any]]:
    return [
        {
            "input": of.name,
            "role": of.role.value,
            "output": of.output or None,
            "pin": pin.pin,
            "active": "low" if pin.active_low else "high",
            "pull": pin.pull,
            "debounce_ms": of.debounce_ms,
        }
        for of, pin in zip(setup.site.inputs, setup.input_pins, strict=True)
    ]


def _say(
    site: Path,
    setup: Setup | None,
    errors: Sequence[Problem],
    doubtful: Sequence[Problem],
) -> None:
    for problem in errors:
        print(problem)
    if doubtful:
        print("Doubtful, though it can be used:")
    for problem in doubtful:
        print(problem)
    if setup is None:
        print(f"{site}: {_many(len(errors), 'mistake')}; it cannot be used")
        return
    print(f"{site}: can be used, with {_many(len(doubtful), 'doubt')}\n")
    _table(RULE_HEAD, (_row(rule) for rule in setup.site.rules))
    print()
    _table(OUTPUT_HEAD, (_output_row(each) for each in _outputs(setup)))
    if setup.extras:
        print()
        _table(SOURCE_HEAD, (_source_row(each) for each in _sources(setup)))
    _say_circuits(setup)
    _say_inputs(setup)
    print(f"\n{history_words.line(setup)}")


def _say_circuits(setup: Setup) -> None:
    every, _ = judged(setup)
    wired = [each for each in every if each.circuit is not None]
    if wired:
        print()
        _table(
            ("circuit", "checks"),
            ((each.output, circuit_words.tally(each.findings)) for each in wired),
        )
    chains = [
        (each.output, circuit_words.estimate(each.reliability))
        for each in every
        if each.reliability is not None
    ]
    if chains:
        print()
        _table(("output", "on demand"), chains)
        print(CAVEAT)


def _say_inputs(setup: Setup) -> None:
    if setup.input_pins:
        print()
        _table(INPUT_HEAD, (_input_row(each) for each in _inputs(setup)))
    if said := cautions(setup):
        print("\nCautions, whatever the file says:")
    for caution in said:
        print(f"- {caution}")


def _say_leads(setup: Setup, paper: Paper | None, *, whole: bool) -> None:
    if paper is None:
        print(f"\nOn paper: {lead_words.NO_CURVE.format(setup.site.chemistry.name)}")
        return
    for side in Side:
        limits = [limit for limit in paper.limits if limit.side is side]
        if not limits:
            continue
        print(f"\nOn paper: {lead_words.heading(side, setup.site)}")
        _table(lead_words.HEAD, lead_words.summary(side, paper))
        for limit in limits if whole else ():
            print()
            head, *rows = lead_words.whole(limit)
            _table(head, rows)
    print()
    for note in lead_words.notes(paper):
        print(note)


def _many(count: int, what: str) -> str:
    return f"{count or 'no'} {what}{'' if count == 1 else 's'}"


def _row(rule: Rule) -> tuple[str, ...]:
    unit = rule.measure.unit
    return (
        rule.name,
        rule.measure.value,
        unit.text(rule.trip_at),
        unit.text(rule.clear_at),
        f"{rule.on_delay_ms / 1_000:g} s",
        rule.priority.value,
        ", ".join(_actions(rule)) or "-",
    )


def _input_row(each: dict[str, Any]) -> tuple[str, ...]:
    *said, debounce_ms = each.values()
    return (*(str(word or "-") for word in said), f"{debounce_ms} ms")


def _output_row(output: dict[str, Any]) -> tuple[str, ...]:
    return (
        output["output"],
        output["role"],
        str(output["stage"] or "-"),
        f"{output['pin'] or '-'}{' low' if output['active_low'] else ''}",
        ", ".join(output["rules"]) or "-",
    )


def _table(head: tuple[str, ...], rows: Iterable[tuple[str, ...]]) -> None:
    """Print rows in columns as wide as their widest word; the last runs free."""
    every = [head, *rows]
    widths = [max(map(len, column)) for column in zip(*every, strict=True)]
    for row in every:
        cells = [word.ljust(width) for word, width in zip(row, widths, strict=True)]
        print("  ".join(cells).rstrip())
