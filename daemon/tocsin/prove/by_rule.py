"""One rule driven to one output: the time to the pin, and what came of it."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any

from tocsin.clock import stopwatch_s
from tocsin.core.proof import LONGEST_MS
from tocsin.core.rules import Role
from tocsin.prove.desk import level_words
from tocsin.prove.evidence import Evidence, evidence_for
from tocsin.prove.line import Line
from tocsin.prove.person import choose, written
from tocsin.prove.plan import EXPECTED, SLACK_MS, expected_ms, output_of, rule_of
from tocsin.prove.records import Result, Verdict

if TYPE_CHECKING:
    from tocsin.core.site import Output
    from tocsin.prove.desk import Desk
    from tocsin.prove.plan import Item

LOOKING_MS = 180_000
"""So long a person may look and listen."""

EVIDENCE_S = 3.0
"""So long a fall of the current is waited for; packs are read every second or so."""

METHOD = "virtual reading at the rule's limit; real delays, real pin"
MEASURED = {
    Role.HORN: "dB(A), and where it was measured (Enter: not measured)",
    Role.GENERATOR_CALL: "Ohm or V at the start contact (Enter: not measured)",
}
USUAL_MEASURED = "Volts or amperes at the load (Enter: not measured)"


@dataclass(slots=True)
class _Seen:
    """What came over the line of a step so far."""

    pins: dict[str, dict[str, Any]] = field(default_factory=dict)
    ended: str = ""
    evidence: list[Evidence] = field(default_factory=list)

    def take(self, line: dict[str, Any]) -> None:
        if line["kind"] == "pin" and line["after_ms"] is not None:
            self.pins.setdefault(line["output"], line)
        if line["kind"] == "ended":
            self.ended = line["why"]
        for each in self.evidence:
            each.see(line)

    @property
    def found(self) -> str:
        return next((each.found for each in self.evidence if each.found), "")


def prove_rule(desk: Desk, item: Item) -> Result:
    """Drive the rule to the output and return what was measured and seen."""
    site = desk.setup.site
    rule, output = rule_of(site, item.rule), output_of(site, item.output)
    result = desk.result(
        item,
        expected=EXPECTED[output.role],
        expected_ms=expected_ms(site, rule, output),
        method=METHOD,
    )
    before = desk.effect_of(item.output)
    known_ms = desk.pins.get((item.output, item.rule))
    if known_ms is not None and (before is not None or not desk.person.is_there):
        result.as_found = "measured together with another output of this rule"
        _judge_pin(result, known_ms)
        _judge_effect(result, before, "")
        return result
    if why := desk.at_rest(item.output):
        result.why = why
        return result
    shown = desk.output(item.output)
    result.as_found = level_words(shown)
    _inject(desk, item, output, result, before=before)
    result.as_left = (
        f"virtual reading withdrawn; {level_words(desk.output(output.name))}"
    )
    return result


def _inject(
    desk: Desk, item: Item, output: Output, result: Result, *, before: Result | None
) -> None:
    wait_ms = (result.expected_ms or 0) + SLACK_MS + 2 * desk.setup.poll_ms
    is_watched = desk.person.is_there and before is None
    for_ms = wait_ms + (LOOKING_MS if is_watched else round(EVIDENCE_S * 1000) + 1_000)
    if wait_ms >= LONGEST_MS:
        result.why = f"it takes {wait_ms / 1000:.0f} s, longer than a step may last"
        return
    request = {
        "do": "prove",
        "alarm": item.rule,
        "subject": item.subject,
        "by": desk.record.person or "unattended",
        "for_ms": min(for_ms, LONGEST_MS),
    }
    with Line(desk.path, request) as line:
        if not line.begun["ok"]:
            result.why = f"not begun: {line.begun['why']}"
            return
        result.virtual, result.live = line.begun["virtual"], line.begun["live"]
        result.unit = line.begun["unit"]
        desk.person.say(_begun_words(item, result, min(for_ms, LONGEST_MS)))
        seen = _Seen(evidence=evidence_for(output, desk.setup.site.inputs))
        end_s = stopwatch_s() + min(for_ms, LONGEST_MS) / 1000
        _follow(desk, line, seen, output.name, by_s=(wait_ms / 1000, end_s))
        pin = seen.pins.get(output.name)
        if pin is not None:
            _judge_pin(result, pin["after_ms"])
            desk.person.say(_pin_words(result))
            if before is None:
                _see_effect(desk, line, seen, result, end_s)
            else:
                _judge_effect(result, before, "")
        elif seen.ended.startswith("yielding"):
            result.why = seen.ended
        else:
            result.pin_verdict = Verdict.FAIL
            result.why = f"the pin did not move within {wait_ms / 1000:.1f} s"
        line.end()
        _drain(line, seen)
    if seen.ended.startswith("yielding"):
        desk.person.say(f"The test was ended at once, {seen.ended}.")
    desk.pins |= {
        (name, item.rule): told["after_ms"]
        for name, told in seen.pins.items()
        if told["proving"]
    }


def _begun_words(item: Item, result: Result, for_ms: int) -> str:
    live = "nothing" if result.live is None else f"{result.live:g}"
    values = f"{result.virtual:g} in place of {live} {result.unit}".rstrip()
    return (
        f"{item.rule} of {item.subject} is shown {values}. Expected after "
        f"{(result.expected_ms or 0) / 1000:g} s: {result.expected}. It ends by itself "
        f"within {for_ms / 1000:.0f} s."
    )


def _pin_words(result: Result) -> str:
    took_s, due_s = (result.measured_ms or 0) / 1000, (result.expected_ms or 0) / 1000
    return f"Pin after {took_s:.3f} s (expected {due_s:g} s): {result.pin_verdict}."


def _follow(
    desk: Desk, line: Line, seen: _Seen, output: str, *, by_s: tuple[float, float]
) -> None:
    """Take lines until the pin has moved, the step ended, or it is too late.

    *by_s* is how long the pin may take, and when by the stopwatch the step ends.
    """
    wait_s, end_s = by_s
    began_s = stopwatch_s()
    while output not in seen.pins and not seen.ended and not line.is_over:
        now_s = stopwatch_s()
        if now_s - began_s > wait_s:
            return
        desk.person.status(
            f"{output}: {max(0, wait_s - (now_s - began_s)):.0f} s to the pin at most, "
            f"{end_s - now_s:.0f} s left "
        )
        told = line.wait(0.2)
        if told is not None:
            seen.take(told)


def _drain(line: Line, seen: _Seen) -> None:
    """Take what is left, so that nothing is begun before this has ended."""
    give_up_s = stopwatch_s() + 5
    while not line.is_over and stopwatch_s() < give_up_s:
        told = line.wait(0.2)
        if told is not None:
            seen.take(told)


def _see_effect(
    desk: Desk, line: Line, seen: _Seen, result: Result, end_s: float
) -> None:
    """Ask what was seen or heard; for nobody, wait for what can stand for it."""
    if not desk.person.is_there:
        give_up_s = stopwatch_s() + (EVIDENCE_S if seen.evidence else 0)
        while stopwatch_s() < give_up_s and not seen.found and not line.is_over:
            if (told := line.wait(0.2)) is not None:
                seen.take(told)
        _judge_effect(result, None, seen.found)
        return

    def status() -> str:
        while (told := line.wait(0)) is not None:
            seen.take(told)
        left_s = max(0.0, end_s - stopwatch_s())
        return "withdrawn " if seen.ended else f"{left_s:.0f} s left "

    question = f"Did you see or hear it: {result.expected}?"
    key = choose(desk.person, question, status=status)
    line.end()
    if key == "s":
        _judge_effect(result, None, seen.found)
        return
    result.effect_verdict = Verdict.PASS if key == "y" else Verdict.FAIL
    words = "seen or heard" if key == "y" else "not seen or heard"
    result.seen = "; ".join(filter(None, (f"{words} by {_who(desk)}", seen.found)))
    if key == "n":
        result.why = f"the pin moved, but not: {result.expected}"
        return
    role = Role(result.role)
    result.measured = written(desk.person, MEASURED.get(role, USUAL_MEASURED))


def _who(desk: Desk) -> str:
    return desk.record.person or "a person"


def _judge_pin(result: Result, measured_ms: int) -> None:
    result.measured_ms = measured_ms
    late_ms = measured_ms - (result.expected_ms or 0)
    result.pin_verdict = Verdict.PASS if late_ms <= SLACK_MS else Verdict.FAIL
    if result.pin_verdict is Verdict.FAIL:
        result.why = f"the pin was {late_ms / 1000:.1f} s late"


def _judge_effect(result: Result, before: Result | None, found: str) -> None:
    """Take the effect over from where it was seen, or from what stands for it."""
    if before is not None:
        result.effect_verdict = before.retest_verdict or before.effect_verdict
        result.seen = f"as with {before.rule}"
    elif found:
        result.effect_verdict, result.seen = Verdict.PASS, found
    elif not result.why:
        result.why = "nobody looked or listened"
