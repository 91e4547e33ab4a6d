"""All that the core may know of a site: bank, rules, outputs, timing."""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass, field
from typing import TYPE_CHECKING

from tocsin.core.chunks import parts_of
from tocsin.core.model import BANK, Value
from tocsin.core.plant import InputRole
from tocsin.core.rules import PLAIN, Measure, Role, Scope

if TYPE_CHECKING:
    from tocsin.core.hours import Hours
    from tocsin.core.model import Bank, Extra
    from tocsin.core.plant import GeneratorPlan, HeaterPlan, Input
    from tocsin.core.rules import Rule

PARTS = ("journal", "mqtt", "outputs", "can", "history", "page")
"""Parts of the daemon whose trouble is an alarm; beside them "inputs", if any."""

CERTIFICATES = "certificates"
"""The subject of what is said of all of them."""

COMPARED = {
    Value.CURRENT: Measure.DISAGREEMENT,
    Value.VOLTAGE: Measure.DISAGREEMENT,
    Value.SOC: Measure.COUNTER_DISAGREEMENT,
}
"""Which measure compares what two sources say of a value."""

MUST_BE_SAID = frozenset(
    {Measure.LOWEST_CELL, Measure.HIGHEST_CELL, Measure.COLDEST, Measure.HOTTEST}
)
"""A pack that does not say one of these cannot be guarded by rules on it."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Output:
    """One physical output.

    Attributes:
        stage: For load permits, 1 is shed first.
        hold_ms: How long lost data leaves a load permit energised.
        min_on_ms: A call stays at least this long once made.
        min_off_ms: A permit stays dropped, a call quiet, at least this long.
        rules: For calls, only these rules; empty means the preset's choice.
        generator, heater: How a call is made, where it is more than a contact.
        rated_operations: What its relay is rated for; 0 if that was not said.
        test_at_ms: For a horn, the time of day of its self-test; None for none.
        test_days: How often, in days.
    """

    name: str
    role: Role
    stage: int = 0
    hold_ms: int = 300_000
    min_on_ms: int = 0
    min_off_ms: int = 60_000
    rules: frozenset[str] = frozenset()
    generator: GeneratorPlan | None = None
    heater: HeaterPlan | None = None
    rated_operations: int = 0
    test_at_ms: int | None = None
    test_days: int = 1


@dataclass(frozen=True, slots=True, kw_only=True)
class Timing:
    """Times and amounts that are the site's, not one rule's.

    Attributes:
        stale_ms: A reading older than this is no reading.
        good_scans: Good readings of every pack, in a row, before a permit energises.
        shed_settle_ms: Wait between two load stages for the current to fall.
        shed_confirm_ms: If the current has not fallen by then, the next stage goes.
        restore_gap_ms: Wait between two load stages coming back.
        restore_permille: Share of the bank's capacity that must have been returned
            before a stage shed for low cells comes back.
        horn_cap_ms: Longest the horn may sound in one hour.
        rise_window_ms: Over how long the rate of rise is taken.
        rise_ahead_ms: How far ahead it is carried.
        quiet: Hours in which people sleep; None if there are none.
    """

    stale_ms: int = 10_000
    good_scans: int = 5
    shed_settle_ms: int = 5_000
    shed_confirm_ms: int = 20_000
    restore_gap_ms: int = 300_000
    restore_permille: int = 50
    horn_cap_ms: int = 600_000
    rise_window_ms: int = 10_000
    rise_ahead_ms: int = 30_000
    quiet: Hours | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Chemistry:
    """Numbers of the cell that are not limits of a rule.

    Attributes:
        charge_map: (temperature_dc, permille of 1C) pairs, ascending: from that
            temperature of the coldest cell on, so much charge current is allowed.
            Below the first pair none is.
        full_cell_mv: Every pack's highest cell at least this high, and
        full_tail_permille: charge current below this share of 1C, for
        full_hold_ms: this long, is a full charge.
        possible_mv: A cell voltage outside is a broken reading, not a cell.
        possible_dc: Likewise for temperatures.
        curve: (permille of charge, millivolt at rest) pairs, ascending, from empty to
            full; empty where no published curve is known, and then nothing is
            foretold.
        resistance_mohm_ah: Resistance times capacity that a forecast begins with.
    """

    name: str = "lfp"
    charge_map: tuple[tuple[int, int], ...] = ()
    full_cell_mv: int = 3_450
    full_tail_permille: int = 50
    full_hold_ms: int = 600_000
    possible_mv: tuple[int, int] = (500, 5_000)
    possible_dc: tuple[int, int] = (-600, 1_250)
    curve: tuple[tuple[int, int], ...] = ()
    resistance_mohm_ah: int = 120

    @property
    def rested(self) -> tuple[tuple[float, float], ...]:
        """Return the curve as (charge 0 to 1, volts at rest) pairs."""
        return tuple((permille / 1_000, mv / 1_000) for permille, mv in self.curve)


@dataclass(frozen=True, slots=True, kw_only=True)
class LoadStage:
    """The load permits of one stage.

    Attributes:
        members: Their positions among the site's outputs.
        hold_ms: How long lost data leaves them energised. A later stage that may not
            be held so long takes this one with it.
    """

    stage: int
    members: tuple[int, ...]
    hold_ms: int


@dataclass(frozen=True, slots=True, kw_only=True)
class Site:
    """A site, checked: names are unique and what refers to a name finds it.

    Attributes:
        low_cut_mv: The battery's own low cut-off, of a cell.
        high_cut_mv: Its own high cut-off.
        cold_charge_dc: At or below this it refuses charge.
        lead_ms: How long before a cut-off a person wants to be warned.
        charger_mv: Where the chargers hold one pack; None if it was not said.
        subjects: Every (index of rule, subject): one alarm each.
        alarms_of: Positions in *subjects* of the alarms of a scope and subject.
        groups, group_at: The same positions without their keys, and for each alarm
            the group that it is in.
        charge_limits: The rules that are limits of a cell or a temperature and drop
            the charge permit, each with the parts of *subjects* that it is in.
        string_of: For each pack, which of the bank's strings it is in, and how many
            packs that has.
        string_sizes: How many packs each string has.
        string_groups: Which of *groups* are of a string; they follow each other.
        inputs: Buttons, switches and contacts.
        pack_at: The position of each pack, by name.
        extras: Sources beside the packs' own; where several give one value, the first
            that is heard is believed.
        extra_at: The position of each of them, by name.
        lends: A pack may be lent what it does not say: by such a source, or the current
            by a pack in series with it.
        input_at: The position of each input, by name.
        output_at: The position of each output, by name.
        load_stages: Stages of the load permits, the first to be shed first.
        hot_charge_dc, hot_load_dc: Where the hottest sensor drops the charge permit,
            and a load permit; None where no rule does.
        standing: Keys of *alarms_of* whose measures are of outputs and inputs.
        learns_dawn: A heater waits for the usual begin of charge.
        guarded: Measures that some permit depends on and that a pack must say.
        needs_all: Roles that are dropped while one of them is not said.

    Raises:
        ValueError: two packs, rules, inputs or outputs share a name; a rule is said
            to be suppressed by one that does not exist; there is no pack.
    """

    name: str
    bank: Bank
    rules: tuple[Rule, ...]
    outputs: tuple[Output, ...] = ()
    inputs: tuple[Input, ...] = ()
    timing: Timing = Timing()
    chemistry: Chemistry = Chemistry()
    low_cut_mv: int = 2_800
    high_cut_mv: int = 3_750
    cold_charge_dc: int = 50
    lead_ms: int = 900_000
    charger_mv: int | None = None
    extras: tuple[Extra, ...] = ()
    subjects: tuple[tuple[int, str], ...] = field(init=False)
    alarms_of: dict[tuple[Scope, str], tuple[int, ...]] = field(
        init=False, compare=False
    )
    groups: tuple[tuple[int, ...], ...] = field(init=False)
    group_at: tuple[int, ...] = field(init=False)
    charge_limits: tuple[tuple[int, slice], ...] = field(init=False)
    string_of: tuple[tuple[int, int], ...] = field(init=False)
    string_sizes: tuple[int, ...] = field(init=False)
    string_groups: range = field(init=False, compare=False)
    pack_at: dict[str, int] = field(init=False, compare=False)
    extra_at: dict[str, int] = field(init=False, compare=False)
    lends: bool = field(init=False)
    input_at: dict[str, int] = field(init=False, compare=False)
    output_at: dict[str, int] = field(init=False, compare=False)
    standing: tuple[tuple[Scope, str], ...] = field(init=False)
    learns_dawn: bool = field(init=False)
    guarded: frozenset[Measure] = field(init=False)
    needs_all: frozenset[Role] = field(init=False)
    load_stages: tuple[LoadStage, ...] = field(init=False)
    hot_charge_dc: int | None = field(init=False)
    hot_load_dc: int | None = field(init=False)

    def __post_init__(self) -> None:
        if not self.bank.packs:
            raise ValueError("a bank needs at least one pack")
        for what, names in (
            ("packs", [p.name for p in self.bank.packs]),
            ("sources", [e.name for e in self.extras] + list(self._places)),
            ("rules", [r.name for r in self.rules]),
            ("outputs", [o.name for o in self.outputs]),
            ("inputs", [i.name for i in self.inputs]),
        ):
            if twice := sorted({n for n in names if names.count(n) > 1}):
                raise ValueError(f"two {what} share a name: {', '.join(twice)}")
        for extra in self.extras:
            if extra.of not in self._places:
                raise ValueError(f"{extra.name}: of an unknown {extra.of}")
        known = {r.name for r in self.rules}
        for rule in self.rules:
            if unknown := sorted(set(rule.suppressed_by) - known):
                raise ValueError(
                    f"{rule.name}: suppressed by unknown {', '.join(unknown)}"
                )
        subjects = tuple(
            (i, subject)
            for i, rule in enumerate(self.rules)
            for subject in self._subjects_of(rule.measure)
        )
        self._derive(subjects)

    def _derive(self, subjects: tuple[tuple[int, str], ...]) -> None:
        keys = [(self.rules[rule].measure.scope, who) for rule, who in subjects]
        members_of: dict[tuple[Scope, str], list[int]] = {}
        for i, key in enumerate(keys):
            members_of.setdefault(key, []).append(i)
        alarms_of = {key: tuple(members) for key, members in members_of.items()}
        groups = tuple(alarms_of.values())
        of_strings = [i for i, key in enumerate(alarms_of) if key[0] is Scope.STRING]
        strings = {name: i for i, name in enumerate(self.bank.strings)}
        string_sizes = Counter(pack.string for pack in self.bank.packs)
        at = {i: group for group, members in enumerate(groups) for i in members}
        loads = [o for o in self.outputs if o.role is Role.LOAD_PERMIT]
        derived = {
            "load_stages": tuple(
                LoadStage(
                    stage=stage,
                    members=tuple(
                        i
                        for i, output in enumerate(self.outputs)
                        if output.role is Role.LOAD_PERMIT and output.stage == stage
                    ),
                    hold_ms=min(o.hold_ms for o in loads if o.stage >= stage),
                )
                for stage in sorted({o.stage for o in loads})
            ),
            "subjects": subjects,
            "alarms_of": alarms_of,
            "groups": groups,
            "charge_limits": self._charge_limits(subjects),
            "string_of": tuple(
                (strings[pack.string], string_sizes[pack.string])
                for pack in self.bank.packs
            ),
            "string_sizes": tuple(string_sizes[name] for name in strings),
            "string_groups": range(
                min(of_strings, default=0), max(of_strings, default=-1) + 1
            ),
            "group_at": tuple(at[i] for i in range(len(subjects))),
            "hot_charge_dc": self._hot_dc(Role.CHARGE_PERMIT),
            "hot_load_dc": self._hot_dc(Role.LOAD_PERMIT),
            "pack_at": {pack.name: i for i, pack in enumerate(self.bank.packs)},
            "extra_at": {extra.name: i for i, extra in enumerate(self.extras)},
            "lends": bool(self.extras) or len(self.bank.packs) > len(self.bank.strings),
            "input_at": {each.name: i for i, each in enumerate(self.inputs)},
            "output_at": {each.name: i for i, each in enumerate(self.outputs)},
            "standing": tuple(
                key
                for key in dict.fromkeys(keys)
                if key[0] in {Scope.OUTPUT, Scope.INPUT}
            ),
            "learns_dawn": any(
                o.heater is not None and o.heater.charge_at_ms is None
                for o in self.outputs
            ),
            "needs_all": frozenset(
                action.role
                for rule in self.rules
                if rule.measure is Measure.MISSING
                for action in rule.actions
            ),
            "guarded": frozenset(
                rule.measure
                for rule in self.rules
                if rule.measure in MUST_BE_SAID
                and any(action.role.is_permit for action in rule.actions)
            ),
        }
        for name, value in derived.items():
            object.__setattr__(self, name, value)

    def _charge_limits(
        self, subjects: tuple[tuple[int, str], ...]
    ) -> tuple[tuple[int, slice], ...]:
        """Return what *charge_limits* is: the subjects of a rule follow each other."""
        begins: dict[int, int] = {}
        ends: dict[int, int] = {}
        for i, (rule, _) in enumerate(subjects):
            begins.setdefault(rule, i)
            ends[rule] = i + 1
        return tuple(
            (i, parts_of(begin, ends[i]))
            for i, begin in begins.items()
            if self.rules[i].measure in PLAIN
            and any(each.role is Role.CHARGE_PERMIT for each in self.rules[i].actions)
        )

    def _hot_dc(self, role: Role) -> int | None:
        """Return the lowest heat at which a rule drops permits of *role*."""
        return min(
            (
                rule.trip_at
                for rule in self.rules
                if rule.measure is Measure.HOTTEST
                and rule.rises
                and any(action.role is role for action in rule.actions)
            ),
            default=None,
        )

    def _subjects_of(self, measure: Measure) -> tuple[str, ...]:  # noqa: PLR0911 one a scope
        match measure.scope:
            case Scope.PACK:
                return tuple(p.name for p in self.bank.packs)
            case Scope.STRING:
                strings = self.bank.strings
                return strings if len(strings) > 1 else ()
            case Scope.BANK:
                return ("bank",)
            case Scope.EXTRA:
                return tuple(
                    extra.name
                    for extra in self.extras
                    if measure.is_age
                    or any(COMPARED[value] is measure for value in extra.values)
                )
            case Scope.SELF if measure is Measure.CERTIFICATE_LEFT:
                return (CERTIFICATES,)
            case Scope.SELF:
                return (*PARTS, "inputs") if self.inputs else PARTS
            case Scope.OUTPUT:
                return tuple(o.name for o in self.outputs if self._is_of(o, measure))
            case Scope.INPUT:
                return tuple(
                    i.name for i in self.inputs if i.role is InputRole.MAINTENANCE
                )

    def _is_of(self, output: Output, measure: Measure) -> bool:
        match measure:
            case Measure.FAILED_STARTS:
                return output.generator is not None
            case Measure.RELAY_WEAR:
                return output.rated_operations > 0
            case _:
                return any(each.output == output.name for each in self.inputs)

    @property
    def _places(self) -> dict[str, None]:
        """Return what an extra source may be of: the bank, its packs and strings."""
        packs = (pack.name for pack in self.bank.packs)
        return dict.fromkeys((BANK, *packs, *self.bank.strings))
