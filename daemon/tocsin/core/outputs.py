"""Alarms to levels: permits de-energise to act, calls energise to act."""

from __future__ import annotations

from typing import TYPE_CHECKING

from tocsin.core.calls import call, horn
from tocsin.core.events import Demand
from tocsin.core.generator import generator
from tocsin.core.genset import is_running, load_is_on
from tocsin.core.heater import heater
from tocsin.core.levels import MINIMUM_OFF, OutputState, View, set_to
from tocsin.core.loads import load_permits
from tocsin.core.proof_state import differs, held
from tocsin.core.rules import Role

if TYPE_CHECKING:
    from tocsin.core.proof_state import Proof
    from tocsin.core.site import Output, Site


def decided(
    outputs: tuple[OutputState, ...], view: View
) -> tuple[tuple[OutputState, ...], bool]:
    """Return every output's new state, and whether returned charge counts anew."""
    new = list(outputs)
    for i, output in enumerate(view.site.outputs):
        match output.role:
            case Role.CHARGE_PERMIT:
                new[i] = _charge_permit(outputs[i], output, view)
            case Role.HORN:
                new[i] = horn(outputs[i], output, view)
            case Role.GENERATOR_CALL if output.generator is not None:
                new[i] = generator(outputs[i], output, view)
            case Role.HEATER_CALL if output.heater is not None:
                set_runs = is_running(outputs, view.inputs, view.site)
                new[i] = heater(outputs[i], output, view, set_runs=set_runs)
            case Role.BEACON | Role.GENERATOR_CALL | Role.HEATER_CALL:
                new[i] = call(outputs[i], output, view)
            case Role.LOAD_PERMIT | Role.HEARTBEAT | Role.GENERATOR_LOAD:
                pass  # these go together, below; the shell beats the heart
    charge_counts_anew = load_permits(new, view)
    _generator_loads(new, view)
    return tuple(new), charge_counts_anew


def demands(
    outputs: tuple[OutputState, ...], proof: Proof | None, site: Site
) -> tuple[Demand, ...]:
    """Return the level of every output but heartbeats."""
    now = held(outputs, proof, site)
    return tuple(
        Demand(
            output=output.name,
            role=output.role,
            energised=state.energised,
            called=state.called,
            because=state.because,
            proving=differs(state, live),
        )
        for output, state, live in zip(site.outputs, now, outputs, strict=True)
        if output.role is not Role.HEARTBEAT
    )


def _generator_loads(outputs: list[OutputState], view: View) -> None:
    """Put load on a set that runs and is warm; take it off before it cools down."""
    carrying = load_is_on(outputs, view.site)
    for i, output in enumerate(view.site.outputs):
        if output.role is Role.GENERATOR_LOAD:
            outputs[i] = set_to(
                outputs[i], energised=bool(carrying), why=carrying, now_ms=view.now_ms
            )


def _charge_permit(was: OutputState, output: Output, view: View) -> OutputState:
    acting = (
        alarm
        for alarm in view.holding
        if any(a.role is Role.CHARGE_PERMIT for a in view.rule(alarm).actions)
    )
    why = view.names(acting) or view.blind()
    if why:
        return set_to(was, energised=False, why=why, now_ms=view.now_ms)
    back_ms = was.since_ms + output.min_off_ms
    if not was.energised and view.now_ms < back_ms:
        return set_to(
            was,
            energised=False,
            why=(MINIMUM_OFF,),
            now_ms=view.now_ms,
            due_ms=back_ms,
        )
    why = () if was.energised else view.unproved(Role.CHARGE_PERMIT)
    return set_to(was, energised=not why, why=why, now_ms=view.now_ms)
