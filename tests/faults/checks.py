"""What must never be, looked for from outside after every step.

Each checker knows the site file's numbers, what was on the wires, what the pins were
told and what people were told; none calls anything of the core. A number before each
text is that of the invariant:

1 charge permitted on data that is stale, impossible or past a limit; 2 a later load
stage off before an earlier one; 3 a permit before enough good readings; 4 an output
that chatters; 5 an alarm without its row; 6 a horn pattern that means evacuation or
carbon monoxide; 7 a shelved or silenced alarm for ever; 8 a row acknowledged and lost;
9 a command obeyed that nobody was allowed to give; 10 a step that waits.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING, NoReturn

from tests.faults.tally import BrokenError
from tests.faults.watches import Heard, LimitWatch, watches_of

from tocsin.core.rules import Role

if TYPE_CHECKING:
    from collections.abc import Mapping

    from tests.faults.loop import Time
    from tests.faults.world import Shown

    from tocsin_config import Setup

EPS_S = 0.1
"""Everything a punctual daemon does takes no time here; rounding does."""

PAUSE_S = 15.0
"""A set rests so long between two attempts (NFPA 110, edition of 2002, 5.6.4.2.1)."""

MOST_EDGES = 10
"""Of one output in a minute; common practice, no source."""


def fail(number: int, text: str) -> NoReturn:
    """Say that invariant *number* is broken.

    Raises:
        BrokenError: always.
    """
    raise BrokenError(f"{number}: {text}")


def require(holds: object, number: int, text: str) -> None:
    """Raise unless *holds*.

    Raises:
        BrokenError: invariant *number* is broken.
    """
    if not holds:
        fail(number, text)


@dataclass
class _Edges:
    """One output's changes in this run."""

    off_s: float | None = None
    off_held_s: float = 0.0
    on_s: float = 0.0
    on_held_s: float = 0.0
    at_s: list[float] = field(default_factory=list)


class Checks:
    """Invariants 1 to 4 and 10: readings on the wires against levels on the pins."""

    def __init__(self, setup: Setup, time: Time) -> None:
        site = setup.site
        self._time = time
        self._site = site
        self._charge = [o.name for o in site.outputs if o.role is Role.CHARGE_PERMIT]
        loads = [o for o in site.outputs if o.role is Role.LOAD_PERMIT]
        self._loads = sorted(loads, key=lambda o: o.stage)
        self._holds_s = {
            o.name: min(x.hold_ms for x in loads if x.stage >= o.stage) / 1000
            for o in loads
        }
        self._stale_s = site.timing.stale_ms / 1000
        self._settle_s = site.timing.shed_settle_ms / 1000 * len(loads)
        self._is_guarded = any(
            each.role.value in {"generator-lockout", "maintenance"}
            for each in site.inputs
        )
        self.begin()

    def begin(self) -> None:
        """Begin anew with a new run."""
        self.packs = {pack.name: Heard() for pack in self._site.bank.packs}
        self.limits: dict[str, list[LimitWatch]] = {
            pack.name: watches_of(self._site) for pack in self._site.bank.packs
        }
        self._edges = {o.name: _Edges() for o in self._site.outputs}
        self._begun_s = self._time.now_s
        self._held_before_s = self._time.held_up_s
        self._untaken: tuple[float, float] | None = None

    # --- what is seen -----------------------------------------------------------------

    def told(self, name: str, shown: Shown | None, is_good: bool) -> None:  # noqa: FBT001 it is what it says
        """Note a whole sample that reached the daemon."""
        pack = self.packs.get(name)
        if pack is None:
            return
        now_s, held_s = self._time.now_s, self._time.held_up_s
        self.punctual()
        self._untaken = now_s, held_s
        if shown is None or not is_good:
            pack.bad(self._site.timing.good_scans)
            return
        pack.good(now_s, held_s, self._stale_s + EPS_S)
        for limit in self.limits[name]:
            limit.see(shown, now_s, held_s)

    def held(
        self, was: Mapping[str, bool], now: Mapping[str, bool], *, is_end: bool
    ) -> None:
        """Check levels as the daemon is about to hold new ones, or (*is_end*) none."""
        self._untaken = None
        self.wait()
        self._blind(was)
        self._blind(now)
        self._in_order(now)
        for name, level in now.items():
            if was[name] is not level:
                self._turned(name, level, is_end=is_end)
        self._held_before_s = self._time.held_up_s

    def wait(self) -> None:
        """Let limits' delays run out."""
        for limits in self.limits.values():
            for limit in limits:
                limit.wait(self._time.now_s)

    def punctual(self) -> None:
        """See that every sample was acted upon at once."""
        if self._untaken is None:
            return
        at_s, held_s = self._untaken
        late_s = self._time.now_s - at_s - (self._time.held_up_s - held_s)
        require(late_s <= EPS_S, 10, f"a reading waited {late_s:.3f} s for its step")

    # --- 1 ----------------------------------------------------------------------------

    def _blind(self, levels: Mapping[str, bool]) -> None:
        now_s, held_s = self._time.now_s, self._time.held_up_s
        charges = any(levels[each] for each in self._charge)
        for name, pack in self.packs.items():
            silent_s = pack.silent_s(now_s, held_s)
            if silent_s is None:
                continue
            if charges:
                if silent_s > self._stale_s + EPS_S:
                    fail(1, f"charge permitted, {name} silent for {silent_s:.1f} s")
                self._past(name, now_s, held_s)
            for load in self._loads:
                may_s = self._stale_s + self._holds_s[load.name] + self._settle_s
                if levels[load.name] and silent_s > may_s + EPS_S:
                    fail(1, f"{load.name} permitted, {name} silent {silent_s:.1f} s")

    def _past(self, name: str, now_s: float, held_s: float) -> None:
        for limit in self.limits[name]:
            if limit.on_charge and limit.past:
                late_s = limit.forbids_s(now_s, held_s)
                if late_s > EPS_S:
                    what = limit.rule.name
                    fail(1, f"charge permitted, {what} of {name} for {late_s:.2f} s")

    # --- 2 ----------------------------------------------------------------------------

    def _in_order(self, levels: Mapping[str, bool]) -> None:
        on = [load.stage for load in self._loads if levels[load.name]]
        first = min(on, default=99)
        for load in self._loads:
            if not levels[load.name] and load.stage > first:
                fail(2, f"{load.name} is off, and stage {first} is on")

    # --- 3 and 4 ----------------------------------------------------------------------

    def _turned(self, name: str, level: bool, *, is_end: bool) -> None:  # noqa: FBT001 it is what it says
        output = next(o for o in self._site.outputs if o.name == name)
        if output.role in {Role.HORN, Role.HEARTBEAT, Role.GENERATOR_LOAD}:
            return
        if level and output.role.is_permit:
            enough = self._site.timing.good_scans
            for pack, heard in self.packs.items():
                text = f"{name} permitted after {heard.count} good readings of {pack}"
                require(heard.count >= enough, 3, text)
        edges, now_s = self._edges[name], self._time.now_s
        recent = [at_s for at_s in edges.at_s if now_s - at_s < 60]
        edges.at_s = [*recent, now_s]
        require(
            len(recent) < MOST_EDGES, 4, f"{name} turned {len(recent)} times a minute"
        )
        held_s = self._time.held_up_s
        if level:
            least_s = output.min_off_ms / 1000 if output.generator is None else PAUSE_S
            if edges.off_s is not None:
                off_s = now_s - edges.off_s + held_s - edges.off_held_s
                text = f"{name} came back after {off_s:.2f} s, not {least_s:g} s"
                require(off_s >= least_s - EPS_S, 4, text)
            edges.on_s, edges.on_held_s = now_s, self._held_before_s
            return
        edges.off_s, edges.off_held_s = now_s, self._held_before_s
        # Whoever ends can hold no longer, whatever the least time is.
        if output.generator is None and not (self._is_guarded or is_end):
            on_s = now_s - edges.on_s + held_s - edges.on_held_s
            text = f"{name} went after {on_s:.2f} s, not {output.min_on_ms / 1000:g} s"
            require(on_s >= output.min_on_ms / 1000 - EPS_S, 4, text)
