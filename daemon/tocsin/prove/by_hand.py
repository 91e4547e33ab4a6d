"""What only hands can do: a wire pulled, a data cable pulled, a process killed."""

from __future__ import annotations

import json
from typing import TYPE_CHECKING, Any

from tocsin.control import ControlError
from tocsin.core.rules import Role
from tocsin.journal import JournalError, Row, read
from tocsin.prove.line import process_behind
from tocsin.prove.person import choose, written
from tocsin.prove.plan import output_of, return_ms
from tocsin.prove.records import Result, Verdict

if TYPE_CHECKING:
    from tocsin.prove.desk import Desk
    from tocsin.prove.plan import Item

PATIENCE_S = 300.0
"""So long a person may take to find a plug, or a terminal."""

SLACK_S = 2.0
"""States are asked for twice a second over a socket; common practice, no source."""

READY = {"y": "ready", "s": "skip"}
DONE = {"y": "done"}


def prove_wire(desk: Desk, item: Item) -> Result:
    """Have a permit's wire pulled: what it permits must stop."""
    role = output_of(desk.setup.site, item.output).role
    stops = "charging stops" if role is Role.CHARGE_PERMIT else "the loads go off"
    result = desk.result(item, expected=stops, method="the output's wire is pulled")
    if not desk.person.is_there:
        result.why = "nobody there to pull the wire"
        return result
    if why := desk.at_rest(item.output):
        result.why = why
        return result
    result.as_found = "energised, wire in place"
    pin = f" ({result.pin})" if result.pin else ""
    desk.person.say(f"Pull the wire from the pin{pin} to the relay of {item.output}.")
    key = choose(desk.person, f"Wire pulled: did you see that {stops}?")
    if key == "s":
        result.why = "skipped"
        return result
    choose(desk.person, "Put the wire back.", DONE)
    verdict = Verdict.PASS if key == "y" else Verdict.FAIL
    result.pin_verdict = result.effect_verdict = verdict
    result.seen = f"{'seen' if key == 'y' else 'not seen'} by {desk.record.person}"
    result.why = "" if key == "y" else f"without its wire, not: {stops}"
    result.as_left = "wire back in place"
    return result


def prove_source(desk: Desk, item: Item) -> Result:
    """Have a pack's data cable pulled, and see the loss, the drops and the return."""
    site = desk.setup.site
    result = desk.result(
        item,
        expected="source lost; charge inhibited; loads held, then shed; all come back",
        expected_ms=site.timing.stale_ms,
        method="the data cable is pulled",
    )
    if not desk.person.is_there:
        result.why = "nobody there to pull the cable"
        return result
    stale_s = site.timing.stale_ms / 1000
    question = f"Get ready to pull the data cable of {item.subject}."
    if choose(desk.person, question, READY) == "s":
        result.why = "skipped"
        return result
    result.as_found, permits = "online", _permitted(desk)
    desk.person.say(f"Pull it now. The loss is due {stale_s:g} s after.")
    lost = desk.watch(
        PATIENCE_S, lambda: not _pack(desk, item)["online"], "waiting for the loss"
    )
    if lost is None:
        result.pin_verdict = Verdict.FAIL
        result.why = "the loss was not noticed, or the cable was not pulled"
    else:
        age_s = _pack(desk, item)["age_s"]
        result.measured_ms = round(age_s * 1000)
        _judge_drops(desk, result)
    choose(desk.person, "Plug the cable in again.", DONE)
    _judge_return(desk, item, result, permits)
    return result


def _pack(desk: Desk, item: Item) -> dict[str, Any]:
    return next(p for p in desk.show()["packs"] if p["name"] == item.subject)


def _energised(desk: Desk, role: Role) -> list[str]:
    return [
        each["output"]
        for each in desk.show()["outputs"]
        if each["role"] == role.value and each["energised"]
    ]


def _judge_drops(desk: Desk, result: Result) -> None:
    site = desk.setup.site
    words = [f"loss noticed at {(result.measured_ms or 0) / 1000:.1f} s without data"]
    charge = desk.watch(
        SLACK_S, lambda: not _energised(desk, Role.CHARGE_PERMIT), "charge permit drops"
    )
    words.append("charge inhibited" if charge is not None else "CHARGE STILL PERMITTED")
    verdict = Verdict.FAIL if charge is None else Verdict.PASS
    if site.load_stages:
        hold_s = max(stage.hold_ms for stage in site.load_stages) / 1000
        settle_s = site.timing.shed_settle_ms / 1000 * len(site.load_stages)
        loads = desk.watch(
            hold_s + settle_s + SLACK_S + site.timing.stale_ms / 1000,
            lambda: not _energised(desk, Role.LOAD_PERMIT),
            f"loads are held for {hold_s:g} s, then shed",
        )
        if loads is None:
            words.append("the shed of the loads was not waited for")
            verdict = min(verdict, Verdict.UNTESTED, key=list(Verdict).index)
        else:
            words.append(f"loads shed {loads:.0f} s later")
    result.measured = "; ".join(words)
    result.pin_verdict = verdict


def _judge_return(desk: Desk, item: Item, result: Result, permits: set[str]) -> None:
    online = desk.watch(
        PATIENCE_S,
        lambda: bool(_pack(desk, item)["online"]),
        f"{item.subject} comes back",
    )
    back = None if online is None else _come_back(desk, permits)
    result.effect_verdict = Verdict.FAIL if back is None else Verdict.PASS
    result.as_left = "online, every permit back" if back is not None else "NOT back"
    if back is None:
        lost = f"{item.subject} did not come back"
        result.why = lost if online is None else "not every permit came back"
    elif result.measured:
        result.measured += f"; every permit back {back:.0f} s after the first reading"


def _permitted(desk: Desk) -> set[str]:
    return {*_energised(desk, Role.CHARGE_PERMIT), *_energised(desk, Role.LOAD_PERMIT)}


def _come_back(desk: Desk, permits: set[str]) -> float | None:
    """Return how many seconds it took until *permits* are energised again."""
    wait_s = PATIENCE_S + return_ms(desk.setup.site) / 1000
    return desk.watch(
        wait_s, lambda: permits <= _permitted(desk), "waiting for every permit"
    )


def prove_process(desk: Desk, item: Item) -> Result:
    """Have the daemon killed: every permit must drop, and come back after a start."""
    result = desk.result(
        item,
        expected="every permit drops; nothing is called; all comes back after a start",
        method="the process is killed (SIGKILL) and started again",
    )
    if not desk.person.is_there:
        result.why = "nobody there to kill it and to look"
        return result
    pid = process_behind(desk.path)
    desk.person.say(
        f"In another terminal: kill -9 {pid} (as the daemon's user, or with sudo). "
        "Look at every relay while it is dead."
    )
    if choose(desk.person, "Ready to kill it?", READY) == "s":
        result.why = "skipped"
        return result
    result.as_found, permits = f"running as process {pid}", _permitted(desk)
    gone = desk.watch(
        PATIENCE_S, lambda: process_behind(desk.path) != pid, "waiting for its end"
    )
    if gone is None:
        result.why = "the process was not killed"
        return result
    question = "Did every permit drop, charger and loads, and no call?"
    key = choose(desk.person, question)
    if key != "s":
        result.effect_verdict = Verdict.PASS if key == "y" else Verdict.FAIL
        result.seen = written(desk.person, "What did the outputs do", "all dropped")
    back = desk.watch(
        PATIENCE_S,
        lambda: _answers(desk),
        "Start it again (a service does it by itself)",
        may_skip=False,
    )
    if back is not None:
        back = _come_back(desk, permits)
    is_back = back is not None
    result.as_left = "running, every permit back" if is_back else "NOT as it was"
    result.pin_verdict, result.measured = _in_the_journal(desk)
    if not is_back:
        result.pin_verdict, result.why = Verdict.FAIL, "not every permit came back"
    elif Verdict.FAIL in {result.pin_verdict, result.effect_verdict}:
        result.why = "see what was seen and what the journal says"
    return result


def _answers(desk: Desk) -> bool:
    try:
        desk.show()
    except ControlError:
        return False
    return True


def _in_the_journal(desk: Desk) -> tuple[Verdict, str]:
    """Return whether the journal tells of a kill and a start, in that order."""
    try:
        rows = list(read(desk.setup.journal_folder, kinds=("note", "output"), last=200))
    except JournalError as exc:
        return Verdict.FAIL, str(exc)
    starts = [row for row in rows if row.subject == "start"]
    if len(starts) < 2:  # noqa: PLR2004 one before, one after
        return Verdict.UNTESTED, "the journal has no start before and after"
    before, after = starts[-2], starts[-1]
    if any(row.subject == "stop" and row.run_id == before.run_id for row in rows):
        return Verdict.UNTESTED, "the journal says it was stopped, not killed"
    first = [row for row in rows if row.run_id == after.run_id and _is_on(row)]
    words = "the journal tells of an end without a stop, and of a new start"
    return Verdict.PASS, f"{words}; {len(first)} outputs energised since"


def _is_on(row: Row) -> bool:
    return row.kind == "output" and bool(json.loads(row.detail).get("energised"))
