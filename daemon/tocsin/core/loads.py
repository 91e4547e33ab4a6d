"""Load permits: shed in stages, come back one at a time after returned charge.

Stage 1 goes first. Each stage waits for the current to fall after the one before; a
stage that left the current flowing is followed by the next. The last shed comes back
first. Voltage that rebounds without its load is not recovery: a stage shed for low
cells waits for charge. Numbers are the site's; the habit is common practice, no
source.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

from tocsin.core.alarm import NEVER_MS, Alarm
from tocsin.core.bank import discharge_ma, is_charge_back
from tocsin.core.levels import (
    CHARGE_NOT_BACK,
    MINIMUM_OFF,
    NO_DATA,
    NOT_ITS_TURN,
    WITHOUT_EFFECT,
    OutputState,
    View,
    set_to,
)
from tocsin.core.rules import Role

if TYPE_CHECKING:
    from tocsin.core.site import LoadStage

FALLEN_PERMILLE = 900
"""A stage that leaves more than this share of the current flowing did nothing."""


@dataclass(frozen=True, slots=True, kw_only=True)
class _Wish:
    """What the alarms want of one stage.

    Attributes:
        members: Positions of the stage's outputs.
        why: Reasons to drop it; empty to let it be.
        due_ms: When a held reason begins to count.
        must_charge: One of the reasons asks for charge before it comes back.
    """

    stage: int
    members: tuple[int, ...]
    why: tuple[str, ...]
    due_ms: int
    must_charge: bool


def load_permits(new: list[OutputState], view: View) -> bool:
    """Bring the load permits in *new* up to date.

    Returns True if a stage needs charge to come back from now on.
    """
    wishes = [_wish(of, view) for of in view.site.load_stages]
    earlier: list[int] = []
    before: tuple[int, ...] = ()
    charge_counts_anew = False
    for place, wish in enumerate(wishes):
        if not wish.why and any(new[i].without_effect for i in before):
            must_charge = any(new[i].needs_charge for i in earlier)
            wish = replace(wish, why=(WITHOUT_EFFECT,), must_charge=must_charge)  # noqa: PLW2901 the wish is what is meant from here on
            wishes[place] = wish
        settled_ms = _settled_ms(new, earlier, view)
        for i in wish.members:
            was = new[i]
            new[i] = _shed(was, wish, settled_ms, view)
            charge_counts_anew |= new[i].needs_charge and not was.needs_charge
        earlier += wish.members
        before = wish.members
    _come_back(new, wishes, view)
    return charge_counts_anew


def _wish(of: LoadStage, view: View) -> _Wish:
    stage, hold_ms = of.stage, of.hold_ms
    acting, due_ms = list[Alarm](), NEVER_MS
    for alarm in view.holding:
        if not _acts_on(alarm, stage, view):
            continue
        held_ms = hold_ms if view.rule(alarm).is_data_loss else 0
        if view.now_ms >= alarm.active_ms + held_ms:
            acting.append(alarm)
        else:
            due_ms = min(due_ms, alarm.active_ms + held_ms)
    why, blind_ms = view.names(acting), _blind_ms(hold_ms, view)
    if view.now_ms >= blind_ms:
        why = why or (NO_DATA,)
    else:
        due_ms = min(due_ms, blind_ms)
    must_charge = any(view.rule(alarm).needs_charge_back for alarm in acting)
    return _Wish(
        stage=stage, members=of.members, why=why, due_ms=due_ms, must_charge=must_charge
    )


def _acts_on(alarm: Alarm, stage: int, view: View) -> bool:
    return any(
        action.role is Role.LOAD_PERMIT and (action.stage == 0 or action.stage >= stage)
        for action in view.rule(alarm).actions
    )


def _blind_ms(hold_ms: int, view: View) -> int:
    """Return when lost data drops the loads, whatever the rules say."""
    lost_ms = min((pack.heard_ms for pack in view.lost()), default=NEVER_MS)
    return lost_ms + view.site.timing.stale_ms + hold_ms


def _settled_ms(new: list[OutputState], earlier: list[int], view: View) -> int:
    """Return when the current has had time to fall after the earlier stages."""
    if any(new[i].energised for i in earlier):
        return NEVER_MS
    shed = [new[i].since_ms for i in earlier if new[i].shed]
    return max(shed, default=-NEVER_MS) + view.site.timing.shed_settle_ms


def _shed(was: OutputState, wish: _Wish, settled_ms: int, view: View) -> OutputState:
    if not wish.why:
        is_let_be = not was.without_effect and was.shed_ma is None
        if is_let_be and was.due_ms == wish.due_ms:
            return was
        return replace(was, without_effect=False, shed_ma=None, due_ms=wish.due_ms)
    if was.energised and view.now_ms < settled_ms:
        return replace(was, due_ms=min(wish.due_ms, settled_ms))
    now = set_to(was, energised=False, why=wish.why, now_ms=view.now_ms)
    if was.energised:
        now = replace(
            now,
            shed=True,
            needs_charge=wish.must_charge,
            shed_ma=discharge_ma(view.packs, view.site),
            looked=False,
            without_effect=False,
        )
    elif wish.must_charge and not was.needs_charge:
        now = replace(now, needs_charge=True)
    return _looked_again(replace(now, due_ms=wish.due_ms), view)


def _looked_again(shed: OutputState, view: View) -> OutputState:
    """See, once there was time for it, whether the current fell.

    Only once, and not after the reason has ended: a load that someone switches on
    hours later is another matter.
    """
    if not shed.shed or not shed.shed_ma or shed.looked:
        return shed
    look_ms = shed.since_ms + view.site.timing.shed_confirm_ms
    if view.now_ms < look_ms:
        return replace(shed, due_ms=min(shed.due_ms, look_ms))
    flows_ma = discharge_ma(view.packs, view.site)
    is_flowing = (
        flows_ma is not None and flows_ma * 1_000 > shed.shed_ma * FALLEN_PERMILLE
    )
    return replace(shed, looked=True, without_effect=is_flowing)


def _come_back(new: list[OutputState], wishes: list[_Wish], view: View) -> None:
    later: list[int] = []
    for wish in reversed(wishes):
        for i in wish.members:
            if wish.why or new[i].energised:
                continue
            waits, due_ms = _waits(new[i], i, later, new, view)
            now = set_to(new[i], energised=not waits, why=waits, now_ms=view.now_ms)
            if not waits:
                now = replace(now, shed=False, needs_charge=False, shed_ma=None)
            new[i] = replace(now, due_ms=min(due_ms, wish.due_ms))
        later += wish.members


def _waits(
    was: OutputState, i: int, later: list[int], new: list[OutputState], view: View
) -> tuple[tuple[str, ...], int]:
    """Return what a dropped stage still waits for, and when time alone ends some."""
    waits = list(view.blind() or view.unproved(Role.LOAD_PERMIT))
    dues = list[int]()
    off_ms = was.since_ms + view.site.outputs[i].min_off_ms
    if view.now_ms < off_ms:
        waits.append(MINIMUM_OFF)
        dues.append(off_ms)
    if was.needs_charge and not is_charge_back(view.bank, view.site):
        waits.append(CHARGE_NOT_BACK)
    back_ms = max((new[j].since_ms for j in later), default=-NEVER_MS)
    turn_ms = back_ms + view.site.timing.restore_gap_ms
    if any(not new[j].energised for j in later):
        waits.append(NOT_ITS_TURN)
    elif was.shed and view.now_ms < turn_ms:
        waits.append(NOT_ITS_TURN)
        dues.append(turn_ms)
    return tuple(waits), min(dues, default=NEVER_MS)
