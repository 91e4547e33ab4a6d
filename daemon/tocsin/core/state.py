"""Everything the core remembers from one event to the next."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING

from tocsin.core.alarm import Alarm
from tocsin.core.bank import BankState
from tocsin.core.chunks import Chunks, Moments
from tocsin.core.dawn import Dawn
from tocsin.core.inputs import InputState
from tocsin.core.levels import OutputState
from tocsin.core.measures import PackState
from tocsin.core.merge import ExtraState

if TYPE_CHECKING:
    from collections.abc import Sequence

    from tocsin.core.packs import Tally
    from tocsin.core.proof_state import Proof
    from tocsin.core.site import Site


@dataclass(frozen=True, slots=True, kw_only=True)
class State:
    """Everything the core remembers. Equal states behave alike, always.

    Attributes:
        raised: The alarms that outputs were last decided by.
        extras: One a source beside the packs' own.
        inputs: One a site's input.
        local_ms: Local time of day at the core's time 0; None while not known.
        dawn: When charge usually begins.
        proof: The proof test that goes on, or whose effect has not gone yet. Only
            here: it cannot outlive the run.
        dues: When time alone will next change each of the site's groups of alarms.
        stirred: Which alarms are raised or explained.
        tally: What was found in all packs. These three follow from *alarms* and
            *packs*, and are kept so that a step need not look through all; None:
            nobody has yet.
    """

    now_ms: int
    packs: Sequence[PackState]
    alarms: Sequence[Alarm]
    outputs: tuple[OutputState, ...]
    bank: BankState
    troubles: tuple[tuple[str, str], ...] = ()
    raised: tuple[Alarm, ...] = ()
    extras: tuple[ExtraState, ...] = ()
    inputs: tuple[InputState, ...] = ()
    local_ms: int | None = None
    dawn: Dawn = field(default_factory=Dawn)
    proof: Proof | None = None
    dues: Moments | None = field(default=None, init=False, compare=False)
    stirred: tuple[int, ...] | None = field(default=None, init=False, compare=False)
    tally: Tally | None = field(default=None, init=False, compare=False)

    def looked_through(
        self, dues: Moments, stirred: tuple[int, ...], tally: Tally
    ) -> State:
        """Keep what was found in the alarms; a state made from this one forgets it."""
        object.__setattr__(self, "dues", dues)
        object.__setattr__(self, "stirred", stirred)
        object.__setattr__(self, "tally", tally)
        return self


def fresh(site: Site, *, now_ms: int) -> State:
    """Return the state of a core that has seen nothing: every permit is dropped."""
    alarms = Chunks(
        Alarm(
            index=index,
            subject=subject,
            since_ms=now_ms,
            edge_ms=now_ms if site.rules[index].is_age else None,
        ).planned(site.rules[index])
        for index, subject in site.subjects
    )
    return State(
        now_ms=now_ms,
        packs=Chunks(
            PackState(heard_ms=now_ms, beat_ms=now_ms, series=pack.cells)
            for pack in site.bank.packs
        ),
        alarms=alarms,
        outputs=tuple(
            OutputState(since_ms=now_ms - output.min_off_ms) for output in site.outputs
        ),
        bank=BankState(full_ms=now_ms),
        extras=tuple(ExtraState(heard_ms=now_ms) for _ in site.extras),
        inputs=tuple(InputState(since_ms=now_ms) for _ in site.inputs),
    )
