"""Rules are data: a measure, its limits, its delays, what it acts on, what to do."""

from __future__ import annotations

from dataclasses import dataclass, field
from enum import Enum, StrEnum, auto


class Scope(Enum):
    """What a measure is taken of; one alarm a rule and subject."""

    PACK = auto()
    STRING = auto()
    BANK = auto()
    EXTRA = auto()  # a source beside the packs' own
    SELF = auto()  # a part of the daemon, such as its journal or its certificates
    OUTPUT = auto()
    INPUT = auto()


class Unit(Enum):
    """The integer unit inside, and how people read it: (symbol, divisor, decimals)."""

    MV = ("V", 1000, 3)
    MA = ("A", 1000, 1)
    DC = ("degC", 10, 1)
    PERMILLE = ("%", 10, 1)
    SECONDS = ("s", 1000, 1)
    MINUTES = ("min", 60_000, 1)
    DAYS = ("days", 86_400_000, 1)
    COUNT = ("", 1, 0)

    @property
    def symbol(self) -> str:
        """Return the symbol people read."""
        return self.value[0]

    def shown(self, value: int) -> float:
        """Return the integer *value* in the unit people read."""
        return float(round(value / self.value[1], self.value[2]))

    def text(self, value: int) -> str:
        """Return *value* with its symbol, as in ``2.953 V``."""
        return f"{self.shown(value):.{self.value[2]}f} {self.symbol}".rstrip()

    def inside(self, shown: float) -> int:
        """Return the integer of what people wrote."""
        return round(shown * self.value[1])


class Measure(StrEnum):
    """What a rule looks at. The word is the one used in the site file."""

    LOWEST_CELL = "lowest-cell"
    HIGHEST_CELL = "highest-cell"
    HIGHEST_CELL_AHEAD = "highest-cell-ahead"  # where it will be in 30 s if it goes on
    CELL_SPREAD = "cell-spread"
    COLDEST = "coldest"
    HOTTEST = "hottest"
    CHARGE_CURRENT = "charge-current"
    DISCHARGE_CURRENT = "discharge-current"
    CHARGE_OVER_ALLOWED = "charge-over-allowed"  # above what the coldest cell allows
    SUM_ERROR = "sum-error"  # pack voltage against the sum of its cells
    DATA_AGE = "data-age"
    UNCHANGED = "unchanged"  # how long every value has stood still
    BEAT_AGE = "beat-age"  # how long the pack's own counter has stood still
    MISSING = "missing"  # guarded measures that a pack does not say
    REFUSES_CHARGE = "refuses-charge"
    REFUSES_DISCHARGE = "refuses-discharge"
    PROTECTOR_WARNING = "protector-warning"
    LOW_CELL_TIME = "low-cell-time"  # likely time to the protection's low cut-off
    LOW_CELL_TIME_EARLY = "low-cell-time-early"  # one in twenty futures is shorter
    HIGH_CELL_TIME = "high-cell-time"  # likely time to its high cut-off
    COLD_TIME = "cold-time"  # likely time until it is too cold to charge
    HOT_TIME = "hot-time"  # likely time until it is too hot to charge
    HOT_LOAD_TIME = "hot-load-time"  # likely time until it is too hot to discharge
    SURGE_RISK = "surge-risk"  # share of futures that a burst of load would end
    STRING_SHARE = "string-share"  # deviation from an equal share of the current
    SINCE_FULL = "since-full"
    EXTRA_AGE = "extra-age"  # of the newest reading of a source beside the packs' own
    DISAGREEMENT = "disagreement"  # of two sources, as a share of what is allowed
    COUNTER_DISAGREEMENT = "counter-disagreement"  # likewise, of charge counters
    PROOF_OVERDUE = "proof-overdue"  # how long ago the next proof test was due
    TROUBLE = "trouble"  # a part of the daemon cannot do its work
    CERTIFICATE_LEFT = "certificate-left"  # until the first certificate ends
    STATE_OF_CHARGE = "state-of-charge"  # the pack's own counter
    FAILED_STARTS = "failed-starts"  # a generator is locked out after so many
    STUCK_CLOSED = "stuck-closed"  # a read-back shows what nobody commands
    STUCK_OPEN = "stuck-open"  # a read-back does not show what is commanded
    RELAY_WEAR = "relay-wear"  # operations, as a share of what the relay is rated for
    MAINTENANCE_OVER = "maintenance-over"  # the switch is on for longer than it mutes

    @property
    def scope(self) -> Scope:
        """Return what the measure is taken of."""
        return _SCOPES.get(self, Scope.PACK)

    @property
    def unit(self) -> Unit:
        """Return the unit of the measure."""
        return _UNITS[self]

    @property
    def is_age(self) -> bool:
        """Return True for the age of a reading: time alone raises it."""
        return self is Measure.DATA_AGE or self is Measure.EXTRA_AGE


_SCOPES = {
    Measure.STRING_SHARE: Scope.STRING,
    Measure.SINCE_FULL: Scope.BANK,
    Measure.EXTRA_AGE: Scope.EXTRA,
    Measure.DISAGREEMENT: Scope.EXTRA,
    Measure.COUNTER_DISAGREEMENT: Scope.EXTRA,
    Measure.PROOF_OVERDUE: Scope.BANK,
    Measure.TROUBLE: Scope.SELF,
    Measure.CERTIFICATE_LEFT: Scope.SELF,
    Measure.FAILED_STARTS: Scope.OUTPUT,
    Measure.STUCK_CLOSED: Scope.OUTPUT,
    Measure.STUCK_OPEN: Scope.OUTPUT,
    Measure.RELAY_WEAR: Scope.OUTPUT,
    Measure.MAINTENANCE_OVER: Scope.INPUT,
}

PLAIN = frozenset(
    {Measure.LOWEST_CELL, Measure.HIGHEST_CELL, Measure.COLDEST, Measure.HOTTEST}
)
"""What is read off a pack's newest sample, with nothing worked out."""

_UNITS = {
    Measure.LOWEST_CELL: Unit.MV,
    Measure.HIGHEST_CELL: Unit.MV,
    Measure.HIGHEST_CELL_AHEAD: Unit.MV,
    Measure.CELL_SPREAD: Unit.MV,
    Measure.COLDEST: Unit.DC,
    Measure.HOTTEST: Unit.DC,
    Measure.CHARGE_CURRENT: Unit.MA,
    Measure.DISCHARGE_CURRENT: Unit.MA,
    Measure.CHARGE_OVER_ALLOWED: Unit.MA,
    Measure.SUM_ERROR: Unit.MV,
    Measure.DATA_AGE: Unit.SECONDS,
    Measure.UNCHANGED: Unit.SECONDS,
    Measure.BEAT_AGE: Unit.SECONDS,
    Measure.MISSING: Unit.COUNT,
    Measure.REFUSES_CHARGE: Unit.COUNT,
    Measure.REFUSES_DISCHARGE: Unit.COUNT,
    Measure.PROTECTOR_WARNING: Unit.COUNT,
    Measure.LOW_CELL_TIME: Unit.MINUTES,
    Measure.LOW_CELL_TIME_EARLY: Unit.MINUTES,
    Measure.HIGH_CELL_TIME: Unit.MINUTES,
    Measure.COLD_TIME: Unit.MINUTES,
    Measure.HOT_TIME: Unit.MINUTES,
    Measure.HOT_LOAD_TIME: Unit.MINUTES,
    Measure.SURGE_RISK: Unit.PERMILLE,
    Measure.STRING_SHARE: Unit.PERMILLE,
    Measure.SINCE_FULL: Unit.DAYS,
    Measure.EXTRA_AGE: Unit.SECONDS,
    Measure.DISAGREEMENT: Unit.PERMILLE,
    Measure.COUNTER_DISAGREEMENT: Unit.PERMILLE,
    Measure.PROOF_OVERDUE: Unit.DAYS,
    Measure.TROUBLE: Unit.COUNT,
    Measure.CERTIFICATE_LEFT: Unit.DAYS,
    Measure.STATE_OF_CHARGE: Unit.PERMILLE,
    Measure.FAILED_STARTS: Unit.COUNT,
    Measure.STUCK_CLOSED: Unit.COUNT,
    Measure.STUCK_OPEN: Unit.COUNT,
    Measure.RELAY_WEAR: Unit.PERMILLE,
    Measure.MAINTENANCE_OVER: Unit.COUNT,
}


class Priority(StrEnum):
    """How soon a person must act; three, after ISA-18.2 / IEC 62682."""

    LOW = "low"
    MEDIUM = "medium"
    HIGH = "high"


class Role(StrEnum):
    """What an output is for. Permits de-energise to act; calls energise to act."""

    CHARGE_PERMIT = "charge-permit"
    LOAD_PERMIT = "load-permit"
    HORN = "horn"
    BEACON = "beacon"
    GENERATOR_CALL = "generator-call"
    HEATER_CALL = "heater-call"
    GENERATOR_LOAD = "generator-load"  # energised while the set runs and is warm
    HEARTBEAT = "heartbeat"

    @property
    def is_permit(self) -> bool:
        """Return True for outputs held energised while something is allowed."""
        return self in {Role.CHARGE_PERMIT, Role.LOAD_PERMIT}


@dataclass(frozen=True, slots=True, kw_only=True)
class Action:
    """What a rule does to outputs: every output of *role* (and *stage*, for loads).

    A load stage that drops takes every earlier stage with it.
    """

    role: Role
    stage: int = 0


@dataclass(frozen=True, slots=True, kw_only=True)
class Gate:
    """A rule counts only while *measure* of the same pack is within these bounds."""

    measure: Measure
    at_least: int | None = None
    at_most: int | None = None

    def admits(self, value: int | None) -> bool:
        """Return True while the rule counts; what is not known is not within."""
        if value is None or (self.at_least is not None and value < self.at_least):
            return False
        return self.at_most is None or value <= self.at_most


@dataclass(frozen=True, slots=True, kw_only=True)
class Rule:
    """One row of the alarm table (fields after ISA-18.2 rationalisation).

    It trips at or beyond *trip_at* and clears at or behind *clear_at*; whichever is
    larger gives the direction, and the gap is the deadband. Both are integers in the
    measure's unit.

    Attributes:
        on_delay_ms: How long beyond the limit before the alarm is raised.
        off_delay_ms: How long behind the clear limit before it returns.
        actions: Outputs it holds dropped (permits) or called (calls) while active.
        is_data_loss: It says that we do not know, so a load permit may be held for
            its own hold time before it drops; a charge permit never is.
        needs_charge_back: A load stage it dropped returns only after charge did.
        latching: It stays until a person resets it.
        realarm_ms: Asks again after this long acknowledged and still active; 0 never.
        max_shelve_ms: Longest a person may shelve it; 0 not at all.
        suppressed_by: Rules that explain this one; while one of them is active on the
            same subject this one is suppressed by design. Never its actions.
        cause: What is likely behind it, and how to tell.
        consequence: What happens if nobody does anything.
        action: What a person should do, in one sentence.
        respond_min: Minutes a person has.
        basis: Where the limit comes from.
        rises: Larger values are the bad ones.
        is_age: Its measure is the age of a reading.

    Raises:
        ValueError: the two limits are equal, or a duration is negative.
    """

    name: str
    measure: Measure
    trip_at: int
    clear_at: int
    priority: Priority
    on_delay_ms: int = 0
    off_delay_ms: int = 0
    actions: tuple[Action, ...] = ()
    gate: Gate | None = None
    is_data_loss: bool = False
    needs_charge_back: bool = False
    latching: bool = False
    realarm_ms: int = 0
    max_shelve_ms: int = 43_200_000
    suppressed_by: tuple[str, ...] = ()
    cause: str = ""
    consequence: str = ""
    action: str = ""
    respond_min: int = 0
    basis: str = ""
    rises: bool = field(init=False)
    is_age: bool = field(init=False)

    def __post_init__(self) -> None:
        if self.trip_at == self.clear_at:
            raise ValueError(f"{self.name}: the trip and clear limits must differ")
        delays = (
            self.on_delay_ms,
            self.off_delay_ms,
            self.realarm_ms,
            self.max_shelve_ms,
        )
        if min(delays) < 0:
            raise ValueError(f"{self.name}: a duration must be 0 or more")
        object.__setattr__(self, "rises", self.trip_at > self.clear_at)
        object.__setattr__(self, "is_age", self.measure.is_age)

    def is_beyond(self, value: int) -> bool:
        """Return True if *value* is at or past the trip limit."""
        return value >= self.trip_at if self.rises else value <= self.trip_at

    def is_cleared(self, value: int) -> bool:
        """Return True if *value* is at or back behind the clear limit."""
        return value <= self.clear_at if self.rises else value >= self.clear_at
