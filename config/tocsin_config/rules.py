"""A preset's rules with a site's own limits over them, as the core takes them."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from tocsin.core.rules import Action, Gate, Measure, Priority, Role, Rule, Scope, Unit
from tocsin_config.problems import Key, suggestion
from tocsin_config.rule_models import RuleTable

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable

    from tocsin_config.rule_models import GateTable

KINDS = {
    Unit.MV: ("v",),
    Unit.MA: ("a", "rate"),
    Unit.DC: ("degc",),
    Unit.PERMILLE: ("pct",),
    Unit.SECONDS: ("s",),
    Unit.MINUTES: ("leads", "min"),
    Unit.DAYS: ("days",),
    Unit.COUNT: ("count",),
}
EVERY_KIND = (
    *("v", "degc", "rate", "a", "s", "min", "leads", "days", "pct", "count"),
    "mv_per_cell",
)
AHEAD = ("above_low_cut_v", "below_high_cut_v", "not_below_cold_cut")
DRIVEN = (
    Role.CHARGE_PERMIT,
    Role.LOAD_PERMIT,
    Role.GENERATOR_CALL,
    Role.HEATER_CALL,
)
STAGES = range(1, 10)


@dataclass(frozen=True, slots=True, kw_only=True)
class Scale:
    """What turns people's limits into the core's integers."""

    capacity_mah: int
    cells: int
    low_cut_mv: int
    high_cut_mv: int
    cold_charge_dc: int
    stale_ms: int
    lead_ms: int


def kinds(measure: Measure) -> tuple[str, ...]:
    """Return the endings of the limit keys that fit *measure*."""
    more = ("mv_per_cell",) if measure is Measure.SUM_ERROR else ()
    return KINDS[measure.unit] + more


def inside(value: float, kind: str, unit: Unit, scale: Scale) -> int:
    """Return a limit written as *kind* in the integer *unit* of its measure."""
    match kind:
        case "rate":
            return round(value * scale.capacity_mah)
        case "leads":
            return round(value * scale.lead_ms)
        case "mv_per_cell":
            return round(value * scale.cells)
        case _:
            return unit.inside(value)


def merged(preset: RuleTable | None, own: RuleTable) -> RuleTable:
    """Return *own* over *preset*, field by field.

    A trip limit of one's own means what it says: it does away with the preset's trip
    in whatever unit, and with the margins that would move it.
    """
    values: dict[str, Any] = _given(preset) if preset is not None else {}
    given = _given(own)
    for end in ("trip", "clear"):
        keys = [f"{end}_{kind}" for kind in EVERY_KIND]
        if any(key in given for key in keys):
            gone = (*keys, *AHEAD) if end == "trip" else keys
            values = {key: value for key, value in values.items() if key not in gone}
    return RuleTable.model_construct(**(values | given))


def _given(table: RuleTable) -> dict[str, Any]:
    return {key: getattr(table, key) for key in table.model_fields_set}


@dataclass(slots=True, kw_only=True)
class Resolver:
    """Turns rule tables into rules; every mistake goes to *tell*.

    *tell* takes the key inside the rule's table, what is wrong, what would be right.
    """

    scale: Scale
    tell: Callable[[Key, str, str], None]

    def rule(self, table: RuleTable, *, rises: bool | None = None) -> Rule | None:
        """Return the rule, or None after telling every mistake.

        *rises* is the direction of the preset's rule that *table* overrides.
        """
        self._actions(table.actions)
        if table.measure is None:
            return None
        self._wrong_kinds(table, table.measure)
        gate = self._gate(table.gate)
        limits = self._limits(table, table.measure)
        if limits is None or not self._is_sound(limits, table, rises=rises):
            return None
        return Rule(
            name=table.name,
            measure=table.measure,
            trip_at=limits[0],
            clear_at=limits[1],
            priority=table.priority or Priority.LOW,
            on_delay_ms=Unit.SECONDS.inside(table.on_delay_s),
            off_delay_ms=Unit.SECONDS.inside(table.off_delay_s),
            actions=tuple(a for a in map(action, table.actions) if a is not None),
            gate=gate,
            is_data_loss=table.is_data_loss,
            needs_charge_back=table.needs_charge_back,
            latching=table.latching,
            realarm_ms=Unit.SECONDS.inside(table.realarm_s),
            max_shelve_ms=Unit.SECONDS.inside(table.max_shelve_s),
            suppressed_by=table.suppressed_by,
            cause=table.cause,
            consequence=table.consequence,
            action=table.action,
            respond_min=table.respond_min,
            basis=table.basis,
        )

    def _actions(self, words: Iterable[str]) -> None:
        for i, word in enumerate(words):
            if action(word) is None:
                known = [*DRIVEN, *(f"load-permit/{stage}" for stage in STAGES)]
                is_alert = word in {Role.HORN, Role.BEACON}
                right = (
                    "a priority of medium or high, or `rules` of that output"
                    if is_alert
                    else suggestion(word, [str(name) for name in known])
                )
                self.tell(("actions", i), f"no rule can act on {word!r}", right)

    def _wrong_kinds(self, table: RuleTable, measure: Measure) -> None:
        fit = kinds(measure)
        for key in sorted(table.model_fields_set):
            end, _, kind = key.partition("_")
            if end in {"trip", "clear"} and kind not in fit:
                unit = measure.unit.symbol or "a count"
                right = " or ".join(f"{end}_{each}" for each in fit)
                self.tell((key,), f"{measure} is measured in {unit}", right)
        if measure.unit is not Unit.MV:
            for key in AHEAD[:2]:
                if getattr(table, key) is not None:
                    self.tell((key,), f"{measure} is no voltage", "a rule on cells")

    def _limit(self, table: RuleTable, measure: Measure, end: str) -> int | None:
        keys = [f"{end}_{kind}" for kind in kinds(measure)]
        given = [key for key in keys if getattr(table, key) is not None]
        if len(given) > 1:
            self.tell((given[1],), f"beside {given[0]}", "one of them")
        if not given:
            self.tell((keys[0],), "is missing", f"the {end} limit of this rule")
            return None
        value: float = getattr(table, given[0])
        kind = given[0].removeprefix(f"{end}_")
        return inside(value, kind, measure.unit, self.scale)

    def _limits(self, table: RuleTable, measure: Measure) -> tuple[int, int] | None:
        if measure.is_age:
            for key in ("trip_s", "clear_s"):
                if getattr(table, key) is not None:
                    self.tell((key,), "is the stale time", "stale_s under [timing]")
            return self.scale.stale_ms, self.scale.stale_ms // 2
        trip = self._limit(table, measure, "trip")
        clear = self._limit(table, measure, "clear")
        if trip is None or clear is None:
            return None
        moved = self._ahead(table, trip)
        return moved, clear + moved - trip

    def _ahead(self, table: RuleTable, trip: int) -> int:
        """Return *trip* moved ahead of the site's own protector."""
        if table.above_low_cut_v is not None:
            margin = Unit.MV.inside(table.above_low_cut_v)
            trip = max(trip, self.scale.low_cut_mv + margin)
        if table.below_high_cut_v is not None:
            margin = Unit.MV.inside(table.below_high_cut_v)
            trip = min(trip, self.scale.high_cut_mv - margin)
        if table.not_below_cold_cut:
            trip = max(trip, self.scale.cold_charge_dc)
        return trip

    def _is_sound(
        self,
        limits: tuple[int, int],
        table: RuleTable,
        *,
        rises: bool | None,
    ) -> bool:
        trip, clear = limits
        unit = table.measure.unit if table.measure else Unit.COUNT
        if trip == clear:
            key = self._clear_key(table)
            self.tell((key,), "equals the trip limit", "a gap between the two")
            return False
        if rises is None or rises == (trip > clear):
            return True
        side = "below" if rises else "above"
        self.tell(
            (self._clear_key(table),),
            f"clears at {unit.text(clear)}, on the wrong side of {unit.text(trip)}",
            f"a clear limit {side} {unit.text(trip)}, or a trip limit on the other "
            "side of it",
        )
        return False

    def _clear_key(self, table: RuleTable) -> str:
        keys = [f"clear_{kind}" for kind in EVERY_KIND]
        return next((k for k in keys if getattr(table, k) is not None), keys[0])

    def _gate(self, table: GateTable | None) -> Gate | None:
        if table is None:
            return None
        is_gate = table.measure.unit in {Unit.MV, Unit.DC, Unit.MA}
        if table.measure.scope is not Scope.PACK or not is_gate:
            right = "a voltage, a temperature or a current of a pack"
            self.tell(("gate", "measure"), f"{table.measure} is no gate", right)
            return None
        bounds = [self._bound(table, end) for end in ("at_least", "at_most")]
        if bounds == [None, None]:
            key = f"at_least_{kinds(table.measure)[0]}"
            self.tell(("gate",), "has no bound", f"a bound such as {key}")
        return Gate(measure=table.measure, at_least=bounds[0], at_most=bounds[1])

    def _bound(self, table: GateTable, end: str) -> int | None:
        unit = table.measure.unit
        bound: int | None = None
        for kind in ("v", "degc", "rate", "a"):
            value: float | None = getattr(table, f"{end}_{kind}")
            if value is None:
                continue
            if kind in KINDS[unit]:
                bound = inside(value, kind, unit, self.scale)
            else:
                wrong = f"{table.measure} is measured in {unit.symbol or 'a count'}"
                right = " or ".join(f"{end}_{each}" for each in KINDS[unit])
                self.tell(("gate", f"{end}_{kind}"), wrong, right)
        return bound


def action(word: str) -> Action | None:
    """Return ``charge-permit`` or ``load-permit/2`` as an action; None if unknown."""
    name, slash, stage = word.partition("/")
    roles = {role.value: role for role in DRIVEN}
    if name not in roles:
        return None
    if not slash:
        return Action(role=roles[name])
    is_stage = stage in {str(number) for number in STAGES}
    if roles[name] is not Role.LOAD_PERMIT or not is_stage:
        return None
    return Action(role=Role.LOAD_PERMIT, stage=int(stage))


def action_word(of: Action) -> str:
    """Return an action as it stands in a file."""
    return f"{of.role}/{of.stage}" if of.stage else str(of.role)
