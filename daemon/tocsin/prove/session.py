"""A whole proof test, from the first question to the record."""

from __future__ import annotations

from typing import TYPE_CHECKING

from tocsin import control
from tocsin.clock import iso_time, wall_ms
from tocsin.control import ControlError
from tocsin.core.rules import Role
from tocsin.prove import page, progress, records
from tocsin.prove.by_hand import prove_process, prove_source, prove_wire
from tocsin.prove.by_rule import prove_rule
from tocsin.prove.desk import level_words
from tocsin.prove.person import choose, written
from tocsin.prove.plan import output_of
from tocsin.prove.records import Record, Result, Verdict

if TYPE_CHECKING:
    from collections.abc import Callable, Collection
    from pathlib import Path

    from tocsin.prove.desk import Desk
    from tocsin.prove.plan import Item

DAY_MS = 86_400_000
TRY_AGAIN_DAYS = 7.0
"""What failed or was not tested is due again in a week; common practice, no source."""

READY = {
    Role.CHARGE_PERMIT: "Charging will stop for a while.",
    Role.LOAD_PERMIT: "Its loads will go off, and those of earlier stages.",
    Role.HORN: "It will be loud: warn everybody, protect your ears.",
    Role.BEACON: "The lamp will light.",
    Role.GENERATOR_CALL: "THE SET MAY START: nobody near it, exhaust led outside.",
    Role.HEATER_CALL: "The heater will run: nothing on it that can burn.",
}
REASONS = {"c": "commissioning", "p": "periodic", "a": "after a change"}
STEPS: dict[str, Callable[[Desk, Item], Result]] = {
    "rule": prove_rule,
    "wire": prove_wire,
    "source": prove_source,
    "process": prove_process,
}

CAUTIONS = """\
Before you begin: tell everybody there. Horn, lamps, generator and heater will act, \
and charging and loads will stop, for real. Keep away from moving parts and from \
exhaust; never start a set indoors or one that is tagged. Nobody may depend on a load \
that will be shed. Tocsin is not the protection, and this does not test the battery's \
own. Local codes and the makers' manuals come first.
"""


def introduce(desk: Desk) -> None:
    """Ask what the record says of the person; what was given already is not asked."""
    record, person = desk.record, desk.person
    if not person.is_there:
        return
    person.say(CAUTIONS)
    if not record.reason:
        key = choose(person, "Why is this test done?", REASONS)
        record.reason = REASONS[key]
    record.person = record.person or written(person, "Your name", "not stated")
    for name, question in (
        ("qualification", "Your qualification"),
        ("witness", "Witness"),
        ("equipment", "Test equipment, serial number, calibration due"),
    ):
        if not getattr(record, name):
            setattr(record, name, written(person, question, "not stated"))


def found_overrides(desk: Desk) -> str:
    """Return which alarms are hidden by a person now, in words."""
    hidden = [
        f"{alarm['alarm']} of {alarm['subject']}: {alarm['state']}"
        for alarm in desk.show()["alarms"]
        if alarm["state"] in {"shelved", "out of service"}
    ]
    return "; ".join(hidden) or "none"


def prove(desk: Desk, items: Collection[Item]) -> None:
    """Prove every item that has no result yet, and keep each result at once.

    Raises:
        ControlError: the daemon does not answer.
        StoppedError: the person stops.
        RecordError: the disk does not take what was done.
    """
    done = {result.item for result in desk.record.results}
    agreed, left_out = set[str](), set[str]()
    for number, item in enumerate(items, start=1):
        if item.name in done:
            continue
        desk.person.say(f"--- {number} of {len(items)}: {item.name} ---")
        if _may(desk, item, agreed, left_out):
            result = STEPS[item.kind](desk, item)
            _after_a_failure(desk, item, result)
        else:
            result = desk.result(item, why="skipped")
        desk.record.results.append(result)
        desk.save()
        why = f": {result.why}" if result.why else ""
        desk.person.say(f"{item.name}: {result.verdict}{why}")


def _may(desk: Desk, item: Item, agreed: set[str], left_out: set[str]) -> bool:
    """Ask once an output, before it moves for the first time."""
    output = item.output
    if not output or not desk.person.is_there or item.kind != "rule":
        return output not in left_out
    if output not in agreed | left_out:
        role = output_of(desk.setup.site, output).role
        question = f"Next: {output}. {READY[role]} Ready?"
        key = choose(desk.person, question, {"y": "ready", "s": "skip this output"})
        (agreed if key == "y" else left_out).add(output)
    return output in agreed


def _after_a_failure(desk: Desk, item: Item, result: Result) -> None:
    """Ask what is wrong, and try again once it was put right."""
    person = desk.person
    if result.found is not Verdict.FAIL:
        return
    result.consequence = f"on demand it would not have worked: {result.expected}"
    result.deficiency = result.why or "not as expected"
    if not person.is_there:
        return
    person.say(f"This failed: {result.why}.")
    result.deficiency = written(person, "What is wrong", result.deficiency)
    key = choose(person, "Corrected, and to be tested again now?")
    if key != "y":
        result.correction = "none yet"
        return
    result.correction = written(person, "What was done", "not stated")
    # What was measured and seen before the correction proves nothing now.
    desk.pins = {pair: ms for pair, ms in desk.pins.items() if pair[0] != item.output}
    again = STEPS[item.kind](desk, item)
    result.retest_verdict = again.found
    took = "" if again.measured_ms is None else f", pin after {again.measured_ms} ms"
    result.retest = " ".join(
        filter(None, (f"{again.found}{took};", again.seen, again.why))
    )
    result.as_left = again.as_left or result.as_left


def finish(desk: Desk) -> tuple[Path, Path]:
    """Note how everything is left, write the record, and tell the daemon.

    Raises:
        ControlError: the daemon does not answer.
        RecordError: the disk does not take the record.
    """
    record, folder = desk.record, desk.setup.journal_folder
    for output in desk.setup.site.outputs:
        if output.role.is_permit:
            desk.at_rest(output.name)
    record.as_left = _left(desk)
    if desk.person.is_there:
        question = "Are all wires and cables back, and all overrides removed?"
        key = choose(desk.person, question)
        words = {"y": "confirmed", "n": "NOT SO", "s": "not confirmed"}[key]
        record.as_left += f"; wires back and overrides removed: {words}"
        record.remarks = written(desk.person, "Remarks (Enter: none)")
    record.ended_ms = wall_ms()
    earlier = records.newest(folder, is_rehearsal=record.is_rehearsal)
    record.next_due_ms = next_due_ms(record, earlier)
    paths = records.write(folder, record, page.html(record))
    progress.forget(folder)
    try:
        control.ask(desk.path, {"do": "record"})
    except ControlError:
        desk.person.say("The daemon reads the new due date when it starts again.")
    return paths


def _left(desk: Desk) -> str:
    shown = desk.show()
    outputs = [
        f"{each['output']} {level_words(each)}"
        for each in shown["outputs"]
        if each["role"] != "heartbeat"
    ]
    virtual = shown["proving"]
    state = (
        "a virtual reading is STILL THERE" if _is_on(virtual) else "no virtual reading"
    )
    return "; ".join((state, f"overrides: {found_overrides(desk)}", *outputs))


def _is_on(proving: dict[str, object] | None) -> bool:
    return proving is not None and proving["state"] == "proving"


def next_due_ms(record: Record, earlier: Record | None) -> int:
    """Return when the next test is due.

    A whole test that passed sets a new date. Any other leaves the earlier one, and
    wants what is missing within a week.
    """
    if record.is_whole and record.verdict is Verdict.PASS:
        return record.ended_ms + round(record.interval_days * DAY_MS)
    again_days = min(TRY_AGAIN_DAYS, record.interval_days)
    again_ms = record.ended_ms + round(again_days * DAY_MS)
    if earlier is None:
        return again_ms
    if record.count(Verdict.FAIL):
        return min(again_ms, earlier.next_due_ms)
    return earlier.next_due_ms


def summary(record: Record) -> str:
    """Return what came of it, in a line."""
    counts = ", ".join(f"{record.count(v)} {v}" for v in reversed(Verdict))
    due = iso_time(record.next_due_ms)[:10]
    many = len(record.results)
    return f"{many} test{'' if many == 1 else 's'}: {counts}; next due {due}"
