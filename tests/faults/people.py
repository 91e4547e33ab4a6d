"""Invariants 5 to 9: what people were told, heard, asked for, and what was kept."""

from __future__ import annotations

import json
import shutil
import sqlite3
from collections import Counter, deque
from contextlib import closing
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from tests.faults.checks import EPS_S, require

from tocsin.core.events import AlarmFact, CommandFact, Proving, Verb
from tocsin.core.rules import Priority, Role
from tocsin.wire import fact_json

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence
    from pathlib import Path

    from tests.faults.checks import Checks
    from tests.faults.loop import Time

    from tocsin.core.events import Fact
    from tocsin_config import Setup

NORMAL = "normal"
HIDDEN = {"shelved", "suppressed by design", "out of service"}
ASKING = {"unacknowledged", "latched unacknowledged"}
HOUR_S = 3_600.0
SILENCE_S = 600.0
PAUSE_S = 610.0
"""Two periods of the slowest pattern: one may end where another begins anew."""
EVIL = "evil"
"""In the name of whoever gives a command that must not be obeyed."""


@dataclass(slots=True)
class _Told:
    state: str = NORMAL
    at_s: float = 0.0
    facts: int = 0


class People:
    """Alarms as they were told, horn as it was heard, wishes as they were obeyed."""

    def __init__(self, setup: Setup, time: Time, checks: Checks) -> None:
        self._time = time
        self._site = setup.site
        self._cap_s = setup.site.timing.horn_cap_ms / 1000
        self._checks = checks
        self._rules = {rule.name: rule for rule in setup.site.rules}
        horns = [o for o in setup.site.outputs if o.role is Role.HORN]
        self._horn = horns[0] if horns else None
        self._is_muted = any(i.role.value == "maintenance" for i in setup.site.inputs)
        self.issued: dict[str, int] = {}
        self.begin()

    def begin(self) -> None:
        """Begin anew with a new run."""
        self._alarms: dict[tuple[str, str], _Told] = {}
        self._tried: dict[tuple[str, str], _Told] = {}  # by a proof, beside the real
        self._owed: dict[tuple[str, str], tuple[float, float]] = {}
        self._shelved: dict[tuple[str, str], float] = {}
        self._wished: dict[tuple[str, str], float] = {}
        self._silent_until_s = self._heard_s = self._time.now_s
        self._pulses: deque[tuple[bool, float, float]] = deque(maxlen=12)
        self._tones: deque[tuple[float, float]] = deque()  # end, length
        self._lates: deque[tuple[float, float]] = deque()  # that use up an hour's sound
        self._edge_s, self._edge_held_s = self._time.now_s, self._time.held_up_s
        self._heard_held_s = self._edge_held_s
        self._risen: list[str] = []
        self._held_s = self._time.held_up_s

    def raised(self) -> list[tuple[str, str]]:
        """Return alarms that are not normal, as people know them."""
        return sorted(k for k, told in self._alarms.items() if told.state != NORMAL)

    # --- 5 ----------------------------------------------------------------------------

    def tell(self, facts: Sequence[Fact]) -> None:
        """Take facts as they are told."""
        for fact in facts:
            if isinstance(fact, AlarmFact):
                self._alarm(fact)
            elif isinstance(fact, CommandFact):
                self._command(fact)

    def _alarm(self, fact: AlarmFact) -> None:
        key = fact.alarm, fact.subject.partition("/")[0]
        of = self._tried if fact.proving is Proving.CAUSE else self._alarms
        told = of.setdefault(key, _Told())
        text = f"{key} went from {told.state} to {fact.was} untold"
        require(told.state == fact.was, 5, text)
        told.state, told.at_s = fact.state, self._time.now_s
        told.facts += 1
        if of is self._tried:
            return
        self._owed.pop(key, None)
        if fact.state == "shelved":
            limit_ms = self._rules[fact.alarm].max_shelve_ms
            longest_s = self._time.now_s + limit_ms / 1000
            wished_s = self._wished.get(key, longest_s)
            self._shelved[key] = min(longest_s, max(wished_s, self._time.now_s))
        else:
            self._shelved.pop(key, None)

    def owe(self) -> None:
        """See that each limit that was passed, or is behind us again, was told."""
        now_s, held_s = self._time.now_s, self._time.held_up_s
        for name, limits in self._checks.limits.items():
            for limit in limits:
                if limit.turns == limit.told_turns:
                    continue
                key = limit.rule.name, name
                limit.told_turns = limit.turns
                told = self._alarms.get(key)
                is_hidden = told is not None and told.state in HIDDEN
                if is_hidden or limit.rule.suppressed_by:
                    continue
                is_told = told is not None and told.at_s >= limit.turned_s - EPS_S
                if not is_told:
                    self._owed[key] = now_s, held_s
        for key, (at_s, owed_held_s) in self._owed.items():
            late_s = now_s - at_s - (held_s - owed_held_s)
            require(late_s <= EPS_S, 5, f"{key} turned, and nobody was told")

    def compare(self, snapshot: Mapping[str, Any] | None) -> None:
        """See that what is shown is what was told."""
        if snapshot is None:
            return
        shown = {
            (a["alarm"], a["subject"].partition("/")[0]): a["state"]
            for a in snapshot["alarms"]
            if a["state"] != NORMAL and "proving" not in a
        }
        told = {k: t.state for k, t in self._alarms.items() if t.state != NORMAL}
        require(shown == told, 5, f"shown {shown}, told {told}")

    # --- 6 ----------------------------------------------------------------------------

    def held(self, was: Mapping[str, bool], now: Mapping[str, bool]) -> None:
        """Hear the horn, and note which permits rise."""
        permits = [o.name for o in self._site.outputs if o.role.is_permit]
        self._risen = [each for each in permits if now[each] and not was[each]]
        self._held_s, self._before_s = self._time.held_up_s, self._held_s
        if self._horn is None:
            return
        if (late_s := self._held_s - self._before_s) > 0:
            # The core counts what it would have sounded meanwhile.
            uses_up = late_s >= self._cap_s - 1
            (self._lates if uses_up else self._tones).append((self._time.now_s, late_s))
        name = self._horn.name
        if now[name] or was[name]:
            self._heard_s, self._heard_held_s = self._time.now_s, self._time.held_up_s
        if was[name] is not now[name]:
            lasted_s = self._time.now_s - self._edge_s
            held_s = self._time.held_up_s - self._edge_held_s
            self._pulses.append((was[name], lasted_s, held_s))
            if was[name]:
                self._tones.append((self._time.now_s, lasted_s))
            self._edge_s, self._edge_held_s = self._time.now_s, self._time.held_up_s
            self._pattern()

    def _pattern(self) -> None:
        """Look for what ISO 8201 and NFPA 72 have taken; tolerances are wide."""
        heard = list(self._pulses)
        level, lasted_s, held_s = heard[-1]
        require(not level or lasted_s - held_s <= 5, 6, f"a tone of {lasted_s:.1f} s")
        for count, pulse_s, wide_s, rest_s in ((3, 0.5, 0.1, 1.3), (4, 0.1, 0.05, 4.0)):
            last = heard[-2 * count :]
            if len(last) < 2 * count or any(held > 0 for _, _, held in last):
                continue
            beats = all(abs(lasted - pulse_s) <= wide_s for _, lasted, _ in last[:-1])
            is_taken = last[0][0] and beats and last[-1][1] >= rest_s
            require(not is_taken, 6, f"{count} pulses of {pulse_s} s, then a rest")

    # --- 7 ----------------------------------------------------------------------------

    def limited(self) -> None:
        """See that what is hidden or silenced is so for a time."""
        now_s, held_s = self._time.now_s, self._time.held_up_s
        for key, until_s in self._shelved.items():
            late_s = now_s - until_s - (held_s - self._before_s)
            require(late_s <= EPS_S, 7, f"{key} is shelved {late_s:.1f} s too long")
        if self._horn is None or self._is_muted:
            return
        waits_s = [
            max(told.at_s, self._silent_until_s)
            for (name, _), told in self._alarms.items()
            if told.state in ASKING and self._is_heeded(name)
        ]
        since_s = max(min(waits_s, default=now_s), self._heard_s)
        late_s = now_s - since_s - (held_s - self._heard_held_s)
        text = f"an alarm that asks for a person is silent for {late_s:.0f} s"
        require(late_s <= self._pause_s(), 7, text)

    def _pause_s(self) -> float:
        """Return the longest pause: two periods, or an hour whose sound is spent.

        Behind an hour that was heard may come one that a late shell has used up.
        """
        now_s = self._time.now_s
        while self._lates and self._lates[0][0] < now_s - HOUR_S - PAUSE_S:
            self._lates.popleft()
        while self._tones and self._tones[0][0] < now_s - 2 * HOUR_S - PAUSE_S:
            self._tones.popleft()
        lost_s = HOUR_S * bool(self._lates)
        since_s = now_s - HOUR_S - lost_s - PAUSE_S
        sounded_s = sum(lasted_s for at_s, lasted_s in self._tones if at_s >= since_s)
        return PAUSE_S + lost_s + HOUR_S * (sounded_s >= self._cap_s - 1)

    def _is_heeded(self, name: str) -> bool:
        rules = self._horn.rules if self._horn is not None else frozenset[str]()
        if rules:
            return name in rules
        return self._rules[name].priority is not Priority.LOW

    # --- 9 ----------------------------------------------------------------------------

    def _command(self, fact: CommandFact) -> None:
        require(EVIL not in fact.by, 9, f"{fact.verb} of {fact.by!r} reached the core")
        is_late = self._held_s > self._before_s
        text = f"{fact.verb} of {fact.by} energised {self._risen}"
        require(not self._risen or is_late, 9, text)
        if not fact.accepted:
            return
        for_ms = self.issued.get(fact.by.removeprefix("mqtt "), 0)
        if fact.verb is Verb.SILENCE:
            lasts_s = for_ms / 1000 or SILENCE_S
            require(lasts_s <= HOUR_S, 7, f"silent for {lasts_s} s")
            self._silent_until_s = self._time.now_s + lasts_s
        elif fact.verb is Verb.SHELVE:
            until_s = self._time.now_s + for_ms / 1000
            for key, told in self._alarms.items():
                if key[0] == fact.alarm and fact.subject in {"", key[1]}:
                    self._wished[key] = until_s
                    if told.state == "shelved":
                        self._shelved[key] = until_s


class Kept:
    """Invariant 8: what was said to be on the disk is there after any end."""

    def __init__(self) -> None:
        self._said: dict[str, Counter[str]] = {}
        self.rows = 0

    def written(self, run_id: str, facts: Sequence[Fact], *, is_durable: bool) -> None:
        """Note what the journal reports."""
        if is_durable:
            said = self._said.setdefault(run_id, Counter())
            said.update(json.dumps(dict(fact_json(fact))) for fact in facts)

    def compare(self, folder: Path) -> None:
        """Read every row back."""
        found: dict[str, Counter[str]] = {}
        files = [folder / "journal.db", *folder.glob("journal-damaged-*.db")]
        require(len(files) == 1, 8, "a sound journal was taken for damaged")
        require(files[0].exists() or not self._said, 8, "the journal is gone")
        self.rows = 0
        if files[0].exists():
            apart = folder / "read-back"
            apart.mkdir()
            for each in folder.glob("journal.db*"):
                shutil.copy(each, apart)
            with closing(sqlite3.connect(apart / files[0].name)) as connection:
                (verdict,) = connection.execute("PRAGMA integrity_check").fetchone()
                require(verdict == "ok", 8, f"the journal is damaged: {verdict}")
                for run_id, detail in connection.execute(
                    "SELECT run_id, detail FROM event"
                ):
                    self.rows += 1
                    found.setdefault(run_id, Counter())[detail] += 1
            shutil.rmtree(apart)
        for run_id, said in self._said.items():
            lost = said - found.get(run_id, Counter())
            text = f"{sum(lost.values())} rows of {run_id} are lost: {[*lost][:1]}"
            require(not lost, 8, text)
