"""Bugs put into the product on purpose: the campaign must find each of them.

Each is one change of the running program, undone afterwards, and one sentence.
"""

from __future__ import annotations

import time
from collections.abc import Callable, Iterator
from contextlib import AbstractContextManager, ExitStack, contextmanager
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any
from unittest.mock import patch

from tests.faults.campaign import run_seed

from tocsin.core import alarm, calls, horn, loads, outputs, turn
from tocsin.core.events import AlarmFact
from tocsin.core.levels import OutputState, View
from tocsin.core.rules import Rule
from tocsin.journal import writer
from tocsin.journal.store import Store
from tocsin.mqtt import commander, commands
from tocsin.mqtt.commands import parsed as real_parsed

if TYPE_CHECKING:
    from tocsin.core.site import Output

Change = Callable[[], AbstractContextManager[Any]]


@dataclass(frozen=True)
class Bug:
    """One planted bug.

    Attributes:
        says: What is wrong, in one sentence.
        breaks: The invariant that must be found broken.
        plant: Puts it in while the context lasts.
    """

    name: str
    says: str
    breaks: int
    plant: Change


@contextmanager
def _unaudited(*changes: AbstractContextManager[Any]) -> Iterator[None]:
    """Plant a bug that the daemon's own second look would stop at once."""
    with ExitStack() as stack:
        stack.enter_context(patch("tocsin.shell.faults", lambda *_: ()))
        for change in changes:
            stack.enter_context(change)
        yield


def _blind_charge() -> AbstractContextManager[Any]:
    real = outputs._charge_permit

    def permit(was: OutputState, output: Output, view: View) -> OutputState:
        if not was.energised:
            return real(was, output, view)
        with patch.object(View, "blind", lambda _: ()):
            kept = [a for a in view.holding if not view.rule(a).is_data_loss]
            return real(was, output, replace(view, holding=tuple(kept)))

    return _unaudited(patch.object(outputs, "_charge_permit", permit))


def _swapped_stages() -> AbstractContextManager[Any]:
    def acts(of: Any, stage: int, view: View) -> bool:
        return any(
            a.role.value == "load-permit" and (a.stage == 0 or a.stage <= stage)
            for a in view.rule(of).actions
        )

    return _unaudited(
        patch.object(loads, "_acts_on", acts),
        patch.object(loads, "_settled_ms", _never),
    )


def _never(*_: Any) -> int:
    return 0


def _hasty_permit() -> AbstractContextManager[Any]:
    def sighted(packs: Any, site: Any) -> bool:
        del site
        return all(pack.online for pack in packs)

    return _unaudited(patch("tocsin.core.levels.is_sighted", sighted))


def _chatter() -> AbstractContextManager[Any]:
    real = outputs._charge_permit

    def permit(was: OutputState, output: Output, view: View) -> OutputState:
        return real(was, replace(output, min_off_ms=0), view)

    return patch.object(outputs, "_charge_permit", permit)


def _untold_return() -> AbstractContextManager[Any]:
    real = turn.Turn.state

    def state(self: Any) -> Any:
        self.facts = [
            fact
            for fact in self.facts
            if not (isinstance(fact, AlarmFact) and fact.state.startswith("returned"))
        ]
        return real(self)

    return patch.object(turn.Turn, "state", state)


def _hasty_report() -> AbstractContextManager[Any]:
    real = writer.Journal.tell

    def tell(self: Any, facts: Any) -> None:
        real(self, facts)
        for entry in self._unreported:
            entry.is_durable = True

    return patch.object(writer.Journal, "tell", tell)


def _uncommitted() -> AbstractContextManager[Any]:
    def append(self: Any, rows: Any, *, is_retry: bool = False) -> None:
        del is_retry
        connection = self.open()
        self._late = [*getattr(self, "_late", []), *rows]
        if len(self._late) >= 12:
            connection.execute("BEGIN IMMEDIATE")
            connection.executemany(_INSERT, self._late)
            connection.execute("COMMIT")
            self._late = []

    return patch.object(Store, "append", append)


_INSERT = """\
INSERT INTO event (run_id, seq, boot_id, at_ms, wall_ms, kind, subject, detail)
VALUES (?, ?, ?, ?, ?, ?, ?, ?) ON CONFLICT (run_id, seq) DO NOTHING
"""


def _endless_silence() -> AbstractContextManager[Any]:
    real = calls.horn

    def never_again(was: OutputState, output: Output, view: View) -> OutputState:
        until_ms = view.bank.silenced_until_ms and 1 << 60
        return real(was, output, replace(view, bank=_silent(view.bank, until_ms)))

    return patch.object(outputs, "horn", never_again)


def _silent(bank: Any, until_ms: int) -> Any:
    return replace(bank, silenced_until_ms=until_ms)


def _endless_shelf() -> AbstractContextManager[Any]:
    real = alarm.Alarm.planned

    def planned(self: Any, rule: Rule) -> Any:
        if self.shelved_until_ms is not None and self.shelved_until_ms < 1 << 60:
            return replace(real(self, rule), shelved_until_ms=1 << 61)
        return real(self, rule)

    return patch.object(alarm.Alarm, "planned", planned)


def _stale_command() -> AbstractContextManager[Any]:
    return patch.object(commands, "WINDOW_MS", 1 << 60)


def _retained_command() -> AbstractContextManager[Any]:
    def parsed(heard: Any, verb: Any) -> Any:
        return real_parsed(replace(heard, is_retained=False), verb)

    return patch.object(commander, "parsed", parsed)


def _unasked_command() -> AbstractContextManager[Any]:
    from tocsin.mqtt.publisher import Publisher  # noqa: PLC0415 only here

    def heard(self: Any, messages: Any, dropped: int) -> None:
        del dropped
        for each in messages:
            self._face.hears.take(each)

    return patch.object(Publisher, "heard", heard)


def _no_deadband() -> AbstractContextManager[Any]:
    def is_cleared(self: Rule, value: int) -> bool:
        return not self.is_beyond(value)

    return _unaudited(patch.object(Rule, "is_cleared", is_cleared))


def _late_limit() -> AbstractContextManager[Any]:
    def is_beyond(self: Rule, value: int) -> bool:
        by = (self.trip_at - self.clear_at) // 2
        is_over = self.trip_at > self.clear_at
        return value >= self.trip_at + by if is_over else value <= self.trip_at + by

    return _unaudited(patch.object(Rule, "is_beyond", is_beyond))


def _evacuation() -> AbstractContextManager[Any]:
    taken = ((500, 500), (500, 500), (500, 1_500))
    sounds = [
        replace(each, pulses=taken, burst_ms=4_000)
        for each in (horn.URGENT, horn.WARNING)
    ]
    patterns = (*sounds, horn.FAULT)
    return _together(
        patch.object(calls, "URGENT", sounds[0]),
        patch.object(calls, "WARNING", sounds[1]),
        patch.object(calls, "PATTERNS", patterns),
    )


@contextmanager
def _together(*changes: AbstractContextManager[Any]) -> Iterator[None]:
    with ExitStack() as stack:
        for change in changes:
            stack.enter_context(change)
        yield


def _waiting_step() -> AbstractContextManager[Any]:
    real = writer.Journal.tell

    def tell(self: Any, facts: Any) -> None:
        real(self, facts)
        self._writer._store.append([])
        store = self._writer._store
        try:
            store.open().execute("BEGIN IMMEDIATE")
            store.open().execute("ROLLBACK")
        except Exception:  # noqa: BLE001 a full disk is no matter here
            store.close()

    return patch.object(writer.Journal, "tell", tell)


def _sleepy() -> AbstractContextManager[Any]:
    from tocsin.clock import RealClock  # noqa: PLC0415 only here

    real = RealClock.take

    async def take(self: Any, queue: Any, until_ms: int) -> Any:
        return await real(self, queue, until_ms + 20_000)

    return _unaudited(patch.object(RealClock, "take", take))


BUGS = (
    Bug("blind-charge", "The charge permit is held on lost data.", 1, _blind_charge),
    Bug("late-limit", "Limits trip half a deadband too late.", 1, _late_limit),
    Bug("no-deadband", "A limit clears where it trips.", 1, _no_deadband),
    Bug("sleepy", "The shell wakes 20 s after the core asked it to.", 1, _sleepy),
    Bug("swapped-stages", "The last load stage is shed first.", 2, _swapped_stages),
    Bug("hasty-permit", "A permit is given at the first reading.", 3, _hasty_permit),
    Bug("chatter", "The charge permit forgets its minimum off time.", 4, _chatter),
    Bug("untold-return", "An alarm returns without a row.", 5, _untold_return),
    Bug("evacuation", "Warnings sound as temporal three.", 6, _evacuation),
    Bug("endless-silence", "Silence has no end.", 7, _endless_silence),
    Bug("endless-shelf", "Shelving has no end.", 7, _endless_shelf),
    Bug("hasty-report", "Rows are reported before they are stored.", 8, _hasty_report),
    Bug("uncommitted", "Rows are committed by the dozen.", 8, _uncommitted),
    Bug("stale-command", "A command of an hour ago is obeyed.", 9, _stale_command),
    Bug("retained-command", "A retained command is obeyed.", 9, _retained_command),
    Bug(
        "unasked-command",
        "Commands are obeyed where they are off.",
        9,
        _unasked_command,
    ),
    Bug("waiting-step", "A step waits for the disk.", 10, _waiting_step),
)


def hunt(
    *, seeds: range, days: float, names: tuple[str, ...] = (), most: int = 1
) -> int:
    """Look for each bug until *most* seeds have found it; return the exit code."""
    missed = 0
    for bug in BUGS:
        if names and bug.name not in names:
            continue
        begun_s = time.perf_counter()
        found, tried, other = find(bug, seeds, days=days, most=most)
        missed += not found
        took_s = time.perf_counter() - begun_s
        where = f"seed {found[0]}" if found else "NOT FOUND"
        print(
            f"{bug.name:18} breaks {bug.breaks:2}: in {len(found)} of {tried} seeds"
            f", first {where}, {took_s:.0f} s{other}  {bug.says}",
            flush=True,
        )
    return 1 if missed else 0


def find(
    bug: Bug, seeds: range, *, days: float, most: int = 1
) -> tuple[list[int], int, str]:
    """Return the seeds that found *bug*, how many were tried, and what else broke."""
    found: list[int] = []
    others: set[str] = set()
    tried = 0
    for seed in seeds:
        tried += 1
        with bug.plant():
            result = run_seed(seed, days=days)
        number = result.failure.partition(":")[0]
        if number == str(bug.breaks):
            found.append(seed)
        elif number:
            others.add(number)
        if len(found) >= most:
            break
    other = f", also broke {', '.join(sorted(others))}" if others else ""
    return found, tried, other
