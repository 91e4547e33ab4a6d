"""What a site may say of its inputs, its generator and its heater: settings, no logic.

Defaults are common practice, no source, unless a source is named.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum

MINUTE_MS = 60_000


class InputRole(StrEnum):
    """What an input is for. The word is the one used in the site file."""

    ACKNOWLEDGE = "acknowledge"  # a button: I have seen it
    SILENCE = "silence"  # a button: stop the sound, for a time
    MAINTENANCE = "maintenance"  # a switch: someone works here
    GENERATOR_LOCKOUT = "generator-lockout"  # a switch at the set: it must not start
    GENERATOR_RUNNING = "generator-running"  # a contact: the set runs
    READ_BACK = "read-back"  # a contact that follows an output

    @property
    def is_button(self) -> bool:
        """Return True for what is pressed and let go."""
        return self in {InputRole.ACKNOWLEDGE, InputRole.SILENCE}


@dataclass(frozen=True, slots=True, kw_only=True)
class Input:
    """One physical input.

    Attributes:
        output: For a read-back, the output that it follows.
        debounce_ms: How long a level must last before it counts.
        mute_ms: For a maintenance switch, how long it keeps the horn quiet.
    """

    name: str
    role: InputRole
    output: str = ""
    debounce_ms: int = 50
    mute_ms: int = 3_600_000


@dataclass(frozen=True, slots=True, kw_only=True)
class GeneratorPlan:
    """How a set behind a two-wire start contact is asked to run.

    Attributes:
        start_delay_ms: Wait before the contact closes.
        confirm_ms: By then the set must have been seen to run.
        confirm_ma: A charge current of the bank this far above what it was before, and
            above zero, is that of a running set, unless its contact says that it rests.
        tries: Attempts before a person is needed.
        pause_ms: Open contact between two attempts. Sets crank 15 s and rest 15 s
            (NFPA 110, edition of 2002, 5.6.4.2.1).
        warm_up_ms: Running before load is put on it.
        cool_down_ms: Running without load before it stops.
        min_run_ms, max_run_ms: From the moment it was seen to run.
        min_rest_ms: From the end of one run to the next start.
        emergency: Rules that start it in quiet hours too; empty means every rule of
            high priority.
        returned_permille: Share of the bank's capacity that must have come back.
        soc_permille, cell_mv: Of the lowest pack and cell; either ends a run as well.
        exercise_days: Without a run for so long it is run once; 0 never.
        exercise_at_ms: Time of day of that run.
        exercise_run_ms: How long it lasts.

    Raises:
        ValueError: a duration is negative, or without it a set could chatter.
    """

    start_delay_ms: int = 10_000
    confirm_ms: int = 90_000
    confirm_ma: int = 5_000
    tries: int = 3
    pause_ms: int = 30_000
    warm_up_ms: int = 120_000
    cool_down_ms: int = 180_000
    min_run_ms: int = 1_800_000
    max_run_ms: int = 43_200_000
    min_rest_ms: int = 600_000
    emergency: frozenset[str] = frozenset()
    returned_permille: int = 200
    soc_permille: int | None = None
    cell_mv: int | None = None
    exercise_days: int = 0
    exercise_at_ms: int = 39_600_000
    exercise_run_ms: int = 1_800_000

    def __post_init__(self) -> None:
        longer = (self.confirm_ms, self.pause_ms, self.max_run_ms, self.min_rest_ms)
        others = (self.start_delay_ms, self.warm_up_ms, self.cool_down_ms)
        if min(longer) < 1 or min(*others, self.min_run_ms, self.tries - 1) < 0:
            raise ValueError("a generator needs times and at least one try")


@dataclass(frozen=True, slots=True, kw_only=True)
class Skin:
    """A temperature sensor on the heater itself.

    Attributes:
        pack: Whose reading it is part of.
        sensor: Counted from 1, in the pack's own order.
        limit_dc: The heater is off from here on; back 5 K below.
    """

    pack: str
    sensor: int
    limit_dc: int = 450


@dataclass(frozen=True, slots=True, kw_only=True)
class HeaterPlan:
    """How cells are warmed ahead of the next charge.

    Attributes:
        watts: What the heater draws.
        joule_per_kelvin: What warms with it. 16 cells of 280 Ah weigh 86 kg and take
            86 kJ a kelvin at 1 kJ/(kg K), so 19.2 J a kelvin, ampere-hour and cell;
            calculated from those two figures, not measured.
        warm_to_dc: The coldest cell is warmed to this.
        charge_at_ms: Time of day when charge begins; None to learn it.
        window_ms: How long after that it may still heat.
        floor_permille: Below this state of charge it does not; None for no such floor.
        floor_ms: With less time than this to the low cut-off it does not; 0 for none.
        skin: Its own sensor; without one it heats *duty_on_ms* and rests
            *duty_off_ms*.

    Raises:
        ValueError: power or heat capacity is not positive.
    """

    watts: int
    joule_per_kelvin: int
    warm_to_dc: int = 80
    charge_at_ms: int | None = None
    window_ms: int = 14_400_000
    floor_permille: int | None = 300
    floor_ms: int = 0
    skin: Skin | None = None
    duty_on_ms: int = 1_800_000
    duty_off_ms: int = 600_000

    def __post_init__(self) -> None:
        if min(self.watts, self.joule_per_kelvin) < 1:
            raise ValueError("a heater needs watts and something to warm")
        if min(self.duty_on_ms, self.duty_off_ms) < 1:
            raise ValueError("a heater needs times on and off")
