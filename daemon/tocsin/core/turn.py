"""One step's workbench: copies of the state that are brought up to date in place.

It lives and dies inside one call of ``step`` and is never seen outside the core.
"""

from __future__ import annotations

from dataclasses import replace
from operator import is_
from typing import TYPE_CHECKING

from tocsin.core import extras, inputs, measures, proof, standing
from tocsin.core.alarm import Alarm, AlarmState
from tocsin.core.bank import bank_value, counted, filled
from tocsin.core.dawn import observed
from tocsin.core.events import (
    AlarmFact,
    Fact,
    NoteFact,
    OutputFact,
    Proving,
    SourceFact,
)
from tocsin.core.foretold import FORETOLD, outlook
from tocsin.core.genset import is_running
from tocsin.core.levels import WAITS, OutputState, View
from tocsin.core.outputs import decided
from tocsin.core.packs import Packs
from tocsin.core.proof_state import differs, held
from tocsin.core.rules import Measure, Role, Scope
from tocsin.core.state import State
from tocsin.core.table import Table
from tocsin.core.words import message

if TYPE_CHECKING:
    from tocsin.core.counts import Counts
    from tocsin.core.measures import PackState
    from tocsin.core.model import Sample
    from tocsin.core.site import Output, Site


class Turn:
    """The state while one event is worked through."""

    def __init__(self, site: Site, state: State) -> None:
        self.site = site
        self.now_ms = state.now_ms
        self.driven_ms = state.now_ms
        self.packs = Packs(state.packs, site, state.tally)
        self.alarms = Table(state, site)
        self.outputs = state.outputs
        self.bank = state.bank
        self.raised = state.raised
        self.commanded = False
        self.troubles = dict(state.troubles)
        self.extras = list(state.extras)
        self.inputs = list(state.inputs)
        self.local_ms = state.local_ms
        self.dawn = state.dawn
        self.proof = state.proof
        self.facts: list[Fact] = []
        self._told = 0

    def state(self) -> State:
        """Return what to remember."""
        return State(
            now_ms=self.now_ms,
            packs=self.packs.row(),
            alarms=self.alarms.row(),
            outputs=self.outputs,
            bank=self.bank,
            troubles=tuple(self.troubles.items()),
            raised=self.raised,
            extras=tuple(self.extras),
            inputs=tuple(self.inputs),
            local_ms=self.local_ms,
            dawn=self.dawn,
            proof=self.proof,
        ).looked_through(self.alarms.dues(), self.alarms.stirred(), self.packs.tally())

    def held(self) -> tuple[OutputState, ...]:
        """Return what each output is held at, a proof test counted in."""
        return held(self.outputs, self.proof, self.site)

    # --- time ----------------------------------------------------------------------

    def pass_time(self, to_ms: int) -> None:
        """Do all that is due before *to_ms* or at it, each at its own moment."""
        while (due_ms := self.due_ms()) <= to_ms:
            self.settle(due_ms)
        self.now_ms = to_ms

    def due_ms(self) -> int:
        """Return when time alone will next change something."""
        due_ms = self.alarms.due_ms()
        for output in self.outputs:
            due_ms = min(due_ms, output.due_ms)
        for each in self.inputs:
            due_ms = min(due_ms, each.due_ms)
        if self.proof is not None:
            due_ms = min(due_ms, self.proof.due_ms)
        return min((due_ms, self.packs.stale_ms(), *extras.due_ms(self)))

    def settle(self, now_ms: int) -> None:
        """Bring losses, inputs, alarms, suppression and outputs up to *now_ms*."""
        self.now_ms = now_ms
        is_proving = proof.is_on(self)
        self._lose_packs()
        inputs.settle(self)
        for i in self.alarms.due_at(now_ms):
            alarm = self.alarms[i]
            rule = self.site.rules[alarm.index]
            self.put(i, alarm.aged(rule, now_ms, *self._where(alarm)))
        self._suppress()
        proof.watch(self)
        self._drive()
        # What outputs do may raise an alarm, and that alarm call an output.
        for _ in self.site.outputs:
            if not standing.judge(self):
                break
            self._drive()
        if is_proving:
            self._say_meanwhile()
        self._told = len(self.facts)

    def _say_meanwhile(self) -> None:
        """Mark what was told since the last settling: a proof test was going on."""
        for i, fact in enumerate(self.facts[self._told :], start=self._told):
            if fact.proving is Proving.NOT:
                self.facts[i] = replace(fact, proving=Proving.MEANWHILE)

    def _lose_packs(self) -> None:
        stale_ms, told = self.site.timing.stale_ms, len(self.facts)
        for i, pack in self.packs.stale_at(self.now_ms):
            self.packs[i] = replace(pack, online=False, good=0, trail=())
            # What happens unseen is no part of a full charge.
            self.bank = replace(self.bank, filling_ms=None)
            reason = pack.trouble or f"no good reading for {stale_ms / 1000:g} s"
            self._source(self.site.bank.packs[i].name, "lost", reason, self.now_ms)
        extras.lose(self, is_lost=len(self.facts) > told)

    # --- readings ------------------------------------------------------------------

    def read(self, name: str, sample: Sample, at_ms: int) -> None:
        """Take a reading, or refuse it with its reason."""
        i = self.site.pack_at[name]
        reason = measures.refusal(sample, self.site.bank.packs[i], self.site.chemistry)
        if reason:
            self.failed(name, reason, at_ms, state="refused")
            return
        old = self.packs[i]
        lent = extras.lent(self, i, sample, at_ms)
        new = self.packs[i] = measures.heard(old, sample, at_ms, self.site, lent)
        if old.trouble or not old.online:
            self._source(name, "online", "", at_ms)
        self._count(old, new, at_ms)
        self.judge_pack(name, new, at_ms)
        extras.merge(self, at_ms)
        self._judge_strings(at_ms)
        self.judge_bank(at_ms)
        proof.heard(self, name, at_ms)

    def failed(self, name: str, reason: str, at_ms: int, *, state: str) -> None:
        """Note that a poll gave nothing; the first of a row is a fact.

        It breaks a row of good readings that is not yet long enough for a permit.
        """
        i = self.site.pack_at[name]
        pack = self.packs[i]
        good = pack.good if pack.good >= self.site.timing.good_scans else 0
        if (pack.trouble, pack.good) != (reason, good):
            self.packs[i] = replace(pack, trouble=reason, good=good)
        if not pack.trouble:
            self._source(name, state, reason, at_ms)

    def _source(self, pack: str, state: str, reason: str, at_ms: int) -> None:
        fact = SourceFact(at_ms=at_ms, pack=pack, state=state, reason=reason)
        self.facts.append(fact)

    def _count(self, old: PackState, new: PackState, at_ms: int) -> None:
        bank = counted(self.bank, old, new, self.site)
        full = filled(bank, self.site, at_ms, are_full=self.packs.look_full)
        newly = full.full_ms == at_ms and bank.full_ms != at_ms
        if newly and (at_ms - bank.full_ms >= self.site.chemistry.full_hold_ms):
            text = "every pack is full"
            self.facts.append(NoteFact(at_ms=at_ms, what="full-charge", text=text))
        self.bank = full
        if self.site.learns_dawn:
            packs = self.packs.row()
            runs = is_running(self.held(), tuple(self.inputs), self.site)
            now = (self.local_ms, at_ms)
            self.dawn = observed(
                self.dawn, packs, self.held(), self.site, now, set_runs=runs
            )

    def judge_pack(self, name: str, pack: PackState, at_ms: int) -> None:
        """Hold what is known of a pack against every rule on it."""
        known = dict[Measure, int | None]()

        def shown(what: Measure) -> int | None:
            """Take each measure once, whatever number of rules look at it."""
            if what not in known:
                known[what], _ = measures.measure(what, pack, self.site, at_ms)
            return known[what]

        members = self.site.alarms_of.get((Scope.PACK, name), ())
        for i, alarm in self.alarms.each(members):
            rule = self.site.rules[alarm.index]
            if rule.is_age and at_ms != pack.heard_ms:
                continue  # only what it is lent has changed
            is_open = rule.gate is None or rule.gate.admits(shown(rule.gate.measure))
            value = shown(rule.measure) if is_open else None
            new = alarm.seen(rule, value, at_ms, gate_open=is_open)
            if new is not alarm:
                self.put(i, new)

    def _judge_strings(self, at_ms: int) -> None:
        if not (groups := self.site.string_groups):
            return  # there is nobody to share with
        shares = self.packs.shares_permille()
        # Where there is nothing to compare, only what goes on can end.
        for group in groups if shares else sorted(self.alarms.restless(groups)):
            for i, alarm in self.alarms.each(self.site.groups[group]):
                share, rule = shares.get(alarm.subject), self.site.rules[alarm.index]
                if share is None and alarm.is_at_rest:
                    continue
                new = alarm.seen(rule, share, at_ms, gate_open=share is not None)
                self.put(i, new)

    def judge_bank(self, at_ms: int) -> None:
        """Let the rules on the whole bank see what they look at."""
        members = self.site.alarms_of.get((Scope.BANK, "bank"), ())
        for i, alarm in self.alarms.each(members):
            rule = self.site.rules[alarm.index]
            value = bank_value(rule.measure, self.bank, at_ms)
            self.put(i, alarm.seen(rule, value, at_ms))

    # --- other events --------------------------------------------------------------

    def troubled(self, part: str, reason: str, at_ms: int, *, value: int = 1) -> None:
        """Note that a part of the daemon fails (*reason*) or works again (empty)."""
        if reason:
            self.troubles[part] = reason
        members = self.site.alarms_of.get((Scope.SELF, part), ())
        for i, alarm in self.alarms.each(members):
            rule = self.site.rules[alarm.index]
            self.put(i, alarm.seen(rule, value if reason else 0, at_ms))

    def freed(self, name: str) -> None:
        """Let a set that failed starts had locked out try again."""
        was = self.outputs[self.site.output_at[name]]
        self.count_as(name, replace(was.counts, locked=False, failed=0))

    def count_as(self, name: str, counts: Counts) -> None:
        """Let an output have done what *counts* says."""
        i, outputs = self.site.output_at[name], list(self.outputs)
        outputs[i] = replace(outputs[i], counts=counts)
        self.outputs = tuple(outputs)
        self.commanded = True

    # --- alarms --------------------------------------------------------------------

    def put(self, i: int, new: Alarm) -> None:
        """Replace alarm *i*; a change of what it shows, or of its cause, is a fact."""
        old = self.alarms[i]
        if new is old:
            return
        self.alarms[i] = new
        if old.state is not new.state or (new.is_hidden and old.active != new.active):
            rule = self.site.rules[new.index]
            is_own = rule.measure.scope is Scope.SELF
            detail = self.troubles.get(new.subject, "") if is_own else ""
            self.facts.append(
                AlarmFact(
                    at_ms=max(self.now_ms, new.since_ms),
                    alarm=rule.name,
                    subject=new.where or new.subject,
                    priority=rule.priority,
                    state=new.state.value,
                    was=old.state.value,
                    value=new.value,
                    unit=rule.measure.unit,
                    message=message(
                        rule, new, self.site, detail=detail, ahead=self._ahead(new)
                    ),
                )
            )

    def _ahead(self, alarm: Alarm) -> str:
        rule = self.site.rules[alarm.index]
        if rule.measure.scope is Scope.EXTRA:
            at = self.site.extra_at[alarm.subject]
            return extras.outlook(rule, at, self.packs.row(), self.extras, self.site)
        if rule.measure not in FORETOLD:
            return ""
        return outlook(rule, self.packs[self.site.pack_at[alarm.subject]], self.site)

    def _where(self, alarm: Alarm) -> tuple[str, int | None]:
        """Return the subject with the cell that is worst now, and the value there."""
        measure = self.site.rules[alarm.index].measure
        if measure.scope is Scope.EXTRA:
            return extras.where(self, alarm)
        if measure.scope is not Scope.PACK:
            return alarm.subject, alarm.value
        pack = self.packs[self.site.pack_at[alarm.subject]]
        if measure is Measure.DATA_AGE:
            return alarm.subject, self.now_ms - pack.heard_ms
        value, part = measures.measure(measure, pack, self.site, self.now_ms)
        return f"{alarm.subject}/{part}" if part else alarm.subject, value

    def _suppress(self) -> None:
        """Hide what an active cause explains; never the cause itself."""
        for i, alarm in self.alarms.each(self.alarms.stirred()):
            causes = self.site.rules[alarm.index].suppressed_by
            if not causes or (not alarm.holds and not alarm.suppressed):
                continue
            is_explained = any(
                other.active
                and other.subject == alarm.subject
                and self.site.rules[other.index].name in causes
                for _, other in self.alarms.each(self.alarms.stirred())
            )
            if is_explained != alarm.suppressed:
                new = replace(alarm, suppressed=is_explained)
                if alarm.suppressed and alarm.base is not AlarmState.NORMAL:
                    new = new.judged_afresh(self.now_ms)
                self.put(i, new)

    # --- outputs -------------------------------------------------------------------

    def _drive(self) -> None:
        stirred = self.alarms.each(self.alarms.stirred())
        raised = [alarm for _, alarm in stirred if alarm.is_raised]
        if self._is_settled(raised):
            self.driven_ms = self.now_ms
            return
        self.raised = tuple(raised)
        view = View(
            before_ms=self.driven_ms,
            now_ms=self.now_ms,
            site=self.site,
            packs=self.packs.row(),
            raised=self.raised,
            holding=tuple(alarm for alarm in raised if alarm.holds),
            bank=self.bank,
            inputs=tuple(self.inputs),
            local_ms=self.local_ms,
            dawn=self.dawn,
        )
        live, was, self.driven_ms = self.outputs, self.held(), self.now_ms
        self.outputs, charge_counts_anew = decided(live, view)
        if charge_counts_anew:
            self.bank = replace(self.bank, returned_ma_ms=0)
        proof.drive(self, view)
        standing.wear(self, was)
        now = self.held()
        for i, output in enumerate(self.site.outputs):
            if note := standing.note(output, was[i], now[i], self.now_ms):
                self.facts.append(note)
            if (was[i].called, was[i].because) == (now[i].called, now[i].because):
                continue
            is_proved = differs(was[i], live[i]) or differs(now[i], self.outputs[i])
            self.facts.append(
                OutputFact(
                    at_ms=self.now_ms,
                    output=output.name,
                    role=output.role,
                    energised=now[i].called,
                    because=now[i].because,
                    proving=Proving.CAUSE if is_proved else Proving.NOT,
                )
            )

    def _is_settled(self, raised: list[Alarm]) -> bool:
        """Return True if every output stays as it is, so that none need be decided.

        The same alarms are raised as when outputs were decided last, every pack is
        read, nobody commands, no horn sounds, and no output waits for anything.
        """
        return (
            not self.commanded
            and self.proof is None
            and len(raised) == len(self.raised)
            and all(map(is_, raised, self.raised))
            and self.packs.are_sighted
            and all(map(self._is_kept, self.site.outputs, self.outputs))
        )

    def _is_kept(self, output: Output, state: OutputState) -> bool:
        if state.due_ms <= self.now_ms or not WAITS.isdisjoint(state.because):
            return False
        if output.role.is_permit:
            return state.energised or bool(state.because)
        if output.heater is not None or (output.generator and state.because):
            return False
        return output.role is not Role.HORN or not state.energised
