"""Short makers of sites, readings and histories for tests of the core."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from tocsin.core.engine import Outcome, step
from tocsin.core.events import (
    AlarmFact,
    Command,
    CommandFact,
    Event,
    Fact,
    InputSeen,
    LocalTime,
    NoteFact,
    OutputFact,
    Reading,
    ReadingFailed,
    Tick,
    Verb,
)
from tocsin.core.model import Bank, Pack, Sample
from tocsin.core.plant import Input, InputRole
from tocsin.core.rules import Action, Measure, Priority, Role, Rule
from tocsin.core.site import Output, Site, Timing
from tocsin.core.state import State, fresh

if TYPE_CHECKING:
    from collections.abc import Iterable

CHARGE = Action(role=Role.CHARGE_PERMIT)
ALL_LOADS = Action(role=Role.LOAD_PERMIT)


def stage(number: int) -> Action:
    return Action(role=Role.LOAD_PERMIT, stage=number)


def rule(name: str = "high-cell", **changes: Any) -> Rule:
    values: dict[str, Any] = {
        "name": name,
        "measure": Measure.HIGHEST_CELL,
        "trip_at": 3_600,
        "clear_at": 3_450,
        "priority": Priority.MEDIUM,
    }
    return Rule(**(values | changes))


def low_rule(name: str = "low-cell", **changes: Any) -> Rule:
    values: dict[str, Any] = {
        "measure": Measure.LOWEST_CELL,
        "trip_at": 3_000,
        "clear_at": 3_250,
        "priority": Priority.HIGH,
    }
    return rule(name, **(values | changes))


def output(name: str, role: Role, **changes: Any) -> Output:
    values: dict[str, Any] = {"min_off_ms": 0}
    return Output(name=name, role=role, **(values | changes))


def site(
    *rules: Rule,
    outputs: Iterable[Output] = (),
    packs: tuple[str, ...] = ("left",),
    cells: int = 4,
    strings: tuple[str, ...] = (),
    **changes: Any,
) -> Site:
    names = strings or packs
    bank = Bank(
        packs=tuple(
            Pack(name=name, cells=cells, string=string)
            for name, string in zip(packs, names, strict=True)
        ),
        capacity_mah=100_000,
    )
    values: dict[str, Any] = {"timing": Timing(good_scans=1)}
    return Site(
        name="Fern Ridge hut",
        bank=bank,
        rules=rules,
        outputs=tuple(outputs),
        **(values | changes),
    )


def sample(*cells_mv: int, **changes: Any) -> Sample:
    values: dict[str, Any] = {"temps_dc": (200,), "current_ma": 0}
    return Sample(cells_mv=cells_mv or (3_300,) * 4, **(values | changes))


def reading(at_ms: int, *cells_mv: int, pack: str = "left", **changes: Any) -> Reading:
    return Reading(at_ms=at_ms, pack=pack, sample=sample(*cells_mv, **changes))


def seen(at_ms: int, name: str, level: bool | None = True) -> InputSeen:  # noqa: FBT001, FBT002 short in stories
    return InputSeen(at_ms=at_ms, name=name, level=level, reason="wire off")


def local(at_ms: int, hour: int, minute: int = 0) -> LocalTime:
    return LocalTime(at_ms=at_ms, day_ms=(hour * 60 + minute) * 60_000)


def wired(name: str, role: InputRole, **changes: Any) -> Input:
    values: dict[str, Any] = {"debounce_ms": 0}
    return Input(name=name, role=role, **(values | changes))


def command(at_ms: int, verb: Verb, alarm: str = "", **changes: Any) -> Command:
    values: dict[str, Any] = {"by": "warden", "reason": "waiting for a spare"}
    return Command(at_ms=at_ms, verb=verb, alarm=alarm, **(values | changes))


class Player:
    """Feeds events to the core and keeps every outcome."""

    def __init__(self, of: Site, *, now_ms: int = 0) -> None:
        self.site = of
        self.state: State = fresh(of, now_ms=now_ms)
        self.outcomes: list[Outcome] = []

    def play(self, *events: Event) -> Outcome:
        for event in events:
            self.outcomes.append(step(self.state, event, self.site))
            self.state = self.outcomes[-1].state
        return self.outcomes[-1]

    def tick(self, at_ms: int) -> Outcome:
        return self.play(Tick(at_ms=at_ms))

    def fail(self, at_ms: int, reason: str = "silent", pack: str = "left") -> Outcome:
        return self.play(ReadingFailed(at_ms=at_ms, pack=pack, reason=reason))

    @property
    def facts(self) -> list[Fact]:
        return [fact for outcome in self.outcomes for fact in outcome.facts]

    def level(self, name: str) -> bool:
        return next(d.energised for d in self.outcomes[-1].demands if d.output == name)

    def because(self, name: str) -> tuple[str, ...]:
        return next(d.because for d in self.outcomes[-1].demands if d.output == name)

    def alarm(self, name: str, subject: str = "left") -> str:
        return next(
            a.state.value
            for a in self.state.alarms
            if self.site.rules[a.index].name == name and a.subject == subject
        )

    def notes(self, what: str) -> list[tuple[int, str]]:
        """Return (moment, text) of every note about *what*."""
        notes = [f for f in self.facts if isinstance(f, NoteFact)]
        return [(fact.at_ms, fact.text) for fact in notes if fact.what == what]

    def answer(self) -> CommandFact:
        """Return the only answer to the last event, which was a command."""
        answers = [f for f in self.outcomes[-1].facts if isinstance(f, CommandFact)]
        (answer,) = answers
        return answer

    def history(self, name: str) -> list[tuple[int, str]]:
        """Return (moment, state) of every fact of an alarm."""
        alarms = [f for f in self.facts if isinstance(f, AlarmFact)]
        return [(fact.at_ms, fact.state) for fact in alarms if fact.alarm == name]

    def moves(self, name: str) -> list[tuple[int, bool]]:
        """Return (moment, level) whenever an output's level became another."""
        outputs = [f for f in self.facts if isinstance(f, OutputFact)]
        moves: list[tuple[int, bool]] = []
        for fact in outputs:
            before = moves[-1][1] if moves else False
            if fact.output == name and fact.energised != before:
                moves.append((fact.at_ms, fact.energised))
        return moves
