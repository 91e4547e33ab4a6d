"""What every output shares: its remembered state, what decides it, its own reasons."""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from itertools import chain
from typing import TYPE_CHECKING

from tocsin.core.alarm import NEVER_MS, Alarm
from tocsin.core.counts import Counts
from tocsin.core.measures import measure
from tocsin.core.rules import Measure

if TYPE_CHECKING:
    from collections.abc import Iterable

    from tocsin.core.bank import BankState
    from tocsin.core.chunks import Chunks
    from tocsin.core.dawn import Dawn
    from tocsin.core.genset import Run
    from tocsin.core.heater import Heat
    from tocsin.core.inputs import InputState
    from tocsin.core.measures import PackState
    from tocsin.core.rules import Role, Rule
    from tocsin.core.site import Site

# The core's own reasons, beside the names of alarms.
STARTING = "starting"
NO_DATA = "waiting-for-data"
MINIMUM_OFF = "minimum-off-time"
MINIMUM_ON = "minimum-on-time"
CHARGE_NOT_BACK = "waiting-for-charge"
NOT_ITS_TURN = "waiting-for-turn"
WITHOUT_EFFECT = "earlier-stage-without-effect"
OVER_CAP = "horn-hourly-limit"
SELF_TEST = "self-test"
TESTED = "sounder-test"
REQUESTED = "requested"

WAITS = frozenset(
    {
        *(STARTING, NO_DATA, MINIMUM_OFF, MINIMUM_ON, CHARGE_NOT_BACK, NOT_ITS_TURN),
        *(WITHOUT_EFFECT, OVER_CAP),
    }
)
"""Reasons that end by themselves: an output with one of them is decided anew."""


@dataclass(frozen=True, slots=True, kw_only=True)
class OutputState:
    """What the core remembers of one output.

    Attributes:
        energised: The level now.
        called: For a horn, True all through a pattern; else the same as the level.
        since_ms: When *called* last changed.
        shed: A load permit that dropped for a reason and has not come back.
        needs_charge: It dropped for low cells, so charge must come back first.
        shed_ma: The bank's discharge current as it dropped; None if unknown, or once
            its reason has ended.
        looked: We looked again, once, whether that current had fallen.
        without_effect: It was still flowing then.
        hour_ms: For a horn, the start of the hour whose sound is counted in
        sounded_ms: this.
        due_ms: When time alone will next change it.
        counts: What it has done in its life.
        run: For a planned generator, where it is in its run.
        heat: For a planned heater, what it does.
        test_ms: For a horn, when its self-test began; None while none is played.
    """

    energised: bool = False
    called: bool = False
    since_ms: int = 0
    because: tuple[str, ...] = ()
    shed: bool = False
    needs_charge: bool = False
    shed_ma: int | None = None
    looked: bool = False
    without_effect: bool = False
    hour_ms: int = 0
    sounded_ms: int = 0
    due_ms: int = NEVER_MS
    counts: Counts = field(default_factory=Counts)
    run: Run | None = None
    heat: Heat | None = None
    test_ms: int | None = None


def is_sighted(packs: Iterable[PackState], site: Site) -> bool:
    """Return True while every pack has been read often enough and lately."""
    enough = site.timing.good_scans
    return all(pack.online and pack.good >= enough for pack in packs)


def _lost(packs: Iterable[PackState]) -> list[PackState]:
    return [pack for pack in packs if pack.sample is not None and not pack.online]


@dataclass(frozen=True, slots=True, kw_only=True)
class View:
    """All that decides the outputs at one moment; *before_ms* was the last one.

    Attributes:
        raised: Alarms that are active, or not back to normal.
        holding: Those of them that hold outputs.
        inputs: One a site's input.
        local_ms: Local time of day at the core's time 0; None while not known.
        dawn: When charge usually begins.
    """

    before_ms: int
    now_ms: int
    site: Site
    packs: Chunks[PackState]
    raised: tuple[Alarm, ...]
    holding: tuple[Alarm, ...]
    bank: BankState
    inputs: tuple[InputState, ...]
    local_ms: int | None
    dawn: Dawn

    def rule(self, alarm: Alarm) -> Rule:
        """Return the rule of *alarm*."""
        return self.site.rules[alarm.index]

    def names(self, alarms: Iterable[Alarm]) -> tuple[str, ...]:
        """Return the names of the rules of *alarms*, each once."""
        return tuple(dict.fromkeys(self.rule(alarm).name for alarm in alarms))

    def blind(self) -> tuple[str, ...]:
        """Return why no permit may energise yet, if so: data lost or too new."""
        if is_sighted(self.packs, self.site):
            return ()
        return (NO_DATA,) if self.lost() else (STARTING,)

    def lost(self) -> list[PackState]:
        """Return the packs that were read once and are stale."""
        return list(chain.from_iterable(self.packs.seen(_lost)))

    def unproved(self, role: Role) -> tuple[str, ...]:
        """Return why a dropped permit of *role* stays so for want of data, if it does.

        Readings give a permit back, a person never does: every pack must have been
        heard since a latch was reset. And where a value that is never said drops the
        permit, it waits for that value, however long the rule would.
        """
        is_heard = all(pack.heard_ms > self.bank.reset_ms for pack in self.packs)
        if is_heard and not (role in self.site.needs_all and self._lacks_some()):
            return ()
        return (NO_DATA,)

    def _lacks_some(self) -> bool:
        return any(
            measure(Measure.MISSING, pack, self.site, self.now_ms)[0]
            for pack in self.packs
        )


def set_to(
    was: OutputState,
    *,
    energised: bool,
    why: tuple[str, ...],
    now_ms: int,
    due_ms: int = NEVER_MS,
) -> OutputState:
    """Return the output at this level, for these reasons, until *due_ms*."""
    if (was.energised, was.called, was.because) == (energised, energised, why):
        return was if was.due_ms == due_ms else replace(was, due_ms=due_ms)
    return replace(
        was,
        energised=energised,
        called=energised,
        since_ms=was.since_ms if energised == was.called else now_ms,
        because=why,
        due_ms=due_ms,
    )
