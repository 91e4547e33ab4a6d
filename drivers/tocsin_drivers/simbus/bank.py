"""Packs in strings, strings in parallel, with the site's loads and sources.

All strings share one bus voltage. How they share the current follows from their own
voltages and resistances, so a string that sags leaves more to the others, and a
fuller one feeds an emptier one.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from math import sqrt
from typing import TYPE_CHECKING

from tocsin_drivers.simbus.pack import Pack, PackDesign
from tocsin_drivers.simbus.profiles import Profile, Steady

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

_ROUNDS = 12  # directions settle in two or three; this only bounds the loop


@dataclass(frozen=True, slots=True, kw_only=True)
class Charger:
    """What every source goes through before it reaches the bank.

    Attributes:
        absorption_v: The bus is never pushed above this.
        limit_a: Nor the bank charged with more than this, nor any pack that takes
            charge with more than it allows.
    """

    absorption_v: float = 55.2
    limit_a: float = 80.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Generator:
    """A set that is asked for and comes when it is warm.

    Attributes:
        output: Name of the output that calls it; empty for none.
        power_w: What it gives once it runs.
        start_s: From the call until it gives power.
    """

    output: str = ""
    power_w: float = 3_000.0
    start_s: float = 60.0


@dataclass(frozen=True, slots=True, kw_only=True)
class SiteDesign:
    """All that hangs on the bank.

    Attributes:
        loads_w: By the output that permits it, the power a stage of loads takes.
            The name "" is for loads that no output can drop.
        sources_w: Solar, hydro and the like: power on offer.
        charge_output: Name of the output that permits charge; empty for none. When
            it is dropped the sources carry loads but put nothing into the bank.
        ambient_c: Around the packs.
        max_step_s: Longest sub-step; the physics is not asked to jump further.
    """

    loads_w: Mapping[str, Profile] = field(default_factory=dict)
    sources_w: Mapping[str, Profile] = field(default_factory=dict)
    charger: Charger = field(default_factory=Charger)
    generator: Generator = field(default_factory=Generator)
    charge_output: str = ""
    ambient_c: Profile = field(default_factory=lambda: Steady(value=20.0))
    max_step_s: float = 5.0


@dataclass(frozen=True, slots=True, kw_only=True)
class CutOff:
    """The protection of *pack* opened a direction at *at_s*.

    Attributes:
        direction: "charge" or "discharge".
        current_a: What flowed, so what was cut; 0 when nothing was lost.
    """

    at_s: float
    pack: str
    direction: str
    current_a: float


class BankString:
    """Packs in series: one current, and one open pack opens all."""

    def __init__(self, packs: Sequence[Pack]) -> None:
        self.packs = tuple(packs)
        self.current_a = 0.0
        self.emf_v = 0.0
        self._ohm = (0.0, 0.0)
        self.refresh()

    def refresh(self) -> None:
        """Take voltages, resistances and open directions from the packs."""
        self.emf_v = sum(pack.emf_v for pack in self.packs)
        self._ohm = (
            sum(pack.ohm(charging=False) for pack in self.packs),
            sum(pack.ohm(charging=True) for pack in self.packs),
        )
        self.charge_open = any(p.protector.charge_open for p in self.packs)
        self.discharge_open = any(p.protector.discharge_open for p in self.packs)

    @property
    def allowed_v(self) -> float:
        """Return the bus voltage that brings the charge current its packs allow."""
        amps = min(pack.charge_limit_a for pack in self.packs)
        return self.emf_v + amps * self._ohm[True]

    def siemens(self, bus_v: float) -> float:
        """Return the conductance to the bus at *bus_v*; 0 while open that way."""
        charging = bus_v > self.emf_v
        is_open = self.charge_open if charging else self.discharge_open
        return 0.0 if is_open else 1 / self._ohm[charging]

    def current_at(self, bus_v: float) -> float:
        """Return the current at *bus_v*, positive while charging."""
        return (bus_v - self.emf_v) * self.siemens(bus_v)


def bus_for_power(strings: Sequence[BankString], power_w: float) -> float | None:
    """Return the bus voltage at which the strings together take *power_w*.

    With every direction settled the strings are one source E behind one resistance,
    and power U * sum((U - E_k) / R_k) is a parabola in U; the upper root is the
    stable one. None when nothing connected can take or give that much.
    """
    top_v = max(string.emf_v for string in strings)
    bus_v = top_v + (1.0 if power_w > 0 else -1.0)
    for _ in range(_ROUNDS):
        parts = [(string.siemens(bus_v), string.emf_v) for string in strings]
        total = sum(siemens for siemens, _ in parts)
        if not total:
            return None
        drive = sum(siemens * emf for siemens, emf in parts)
        root = drive * drive + 4 * total * power_w
        if root < 0:
            return None
        settled_v = (drive + sqrt(root)) / (2 * total)
        if [string.siemens(settled_v) for string in strings] == [p[0] for p in parts]:
            return settled_v
        bus_v = settled_v
    return bus_v


def bus_for_current(strings: Sequence[BankString], amps: float) -> float | None:
    """Return the bus voltage at which the strings together take *amps*."""
    bus_v = max(string.emf_v for string in strings)
    for _ in range(_ROUNDS):
        parts = [(string.siemens(bus_v), string.emf_v) for string in strings]
        total = sum(siemens for siemens, _ in parts)
        if not total:
            return None
        settled_v = (amps + sum(siemens * emf for siemens, emf in parts)) / total
        if [string.siemens(settled_v) for string in strings] == [p[0] for p in parts]:
            return settled_v
        bus_v = settled_v
    return bus_v


class SimBank:
    """The bank and its site, moved on by `advance`.

    Every contactor starts open, as contactors do, until `follow` closes it.

    Attributes:
        now_s: Simulated seconds since the start.
        bus_v: Voltage all strings share; 0 while the bus is dark.
        dark_s: For how long loads that were permitted had no supply.
        cut_offs: What the packs' protections did, in order.
    """

    def __init__(
        self, strings: Sequence[Sequence[PackDesign]], site: SiteDesign
    ) -> None:
        if not strings or not all(strings):
            raise ValueError("a bank needs at least one string of one pack")
        self.site = site
        self.strings = [BankString([Pack(d) for d in each]) for each in strings]
        self.packs = {
            pack.design.name: pack for string in self.strings for pack in string.packs
        }
        if len(self.packs) != sum(len(each) for each in strings):
            raise ValueError("two packs share a name")
        self.now_s = 0.0
        self.bus_v = max(string.emf_v for string in self.strings)
        self.dark_s = 0.0
        self.cut_offs: list[CutOff] = []
        self._energised: dict[str, bool] = {}
        self._called_s = 0.0

    def follow(self, energised: Mapping[str, bool]) -> None:
        """Let contactors follow outputs by name; names it does not know are nothing."""
        self._energised.update(energised)

    @property
    def load_w(self) -> float:
        """Return the power that permitted loads ask for."""
        return sum(
            profile.at(self.now_s)
            for output, profile in self.site.loads_w.items()
            if not output or self._energised.get(output, False)
        )

    @property
    def offered_w(self) -> float:
        """Return the power that the sources could give."""
        sun = sum(profile.at(self.now_s) for profile in self.site.sources_w.values())
        return sun + (self.site.generator.power_w if self.generator_runs else 0.0)

    @property
    def generator_runs(self) -> bool:
        """Return True once the set has started after its call."""
        generator = self.site.generator
        called = self._energised.get(generator.output, False)
        return called and self._called_s >= generator.start_s

    @property
    def charge_permitted(self) -> bool:
        """Return True while the daemon, or nobody, holds the charge contactor."""
        output = self.site.charge_output
        return not output or self._energised.get(output, False)

    @property
    def current_a(self) -> float:
        """Return the current of all strings together, positive while charging."""
        return sum(string.current_a for string in self.strings)

    def advance(self, to_s: float) -> None:
        """Move on to *to_s* in equal sub-steps; an earlier time changes nothing."""
        span_s = to_s - self.now_s
        if span_s <= 0:
            return
        count = max(1, -int(-span_s // self.site.max_step_s))
        start_s = self.now_s
        for number in range(1, count + 1):
            self._step(span_s / count)
            self.now_s = start_s + span_s * number / count

    def _step(self, dt_s: float) -> None:
        called = self._energised.get(self.site.generator.output, False)
        self._called_s = self._called_s + dt_s if called else 0.0
        load_w = self.load_w
        self.bus_v = self._settle(self.offered_w, load_w)
        if not self.bus_v and load_w:
            self.dark_s += dt_s
        ambient_c = self.site.ambient_c.at(self.now_s)
        for string in self.strings:
            string.current_a = string.current_at(self.bus_v) if self.bus_v else 0.0
            was_open = (string.charge_open, string.discharge_open)
            for pack in string.packs:
                pack.advance(dt_s, string.current_a, ambient_c)
            string.refresh()
            self._note(string, was_open, dt_s)

    def _settle(self, offered_w: float, load_w: float) -> float:
        """Return the bus voltage, 0 when nothing holds it up.

        The sources give all they have unless the bus reaches the absorption voltage
        or the bank or a pack its charge current; they never take power from it.
        """
        charger, strings = self.site.charger, self.strings
        limit_a = charger.limit_a if self.charge_permitted else 0.0
        wish_v = bus_for_power(strings, offered_w - load_w)
        caps = [
            volts
            for volts in (wish_v, bus_for_current(strings, limit_a))
            if volts is not None
        ]
        if wish_v is None and offered_w < load_w:
            return 0.0
        allowed_v = (s.allowed_v for s in strings if not s.charge_open)
        held_v = min([charger.absorption_v, *caps, *allowed_v])
        alone_v = bus_for_power(strings, -load_w)
        return held_v if alone_v is None else max(held_v, alone_v)

    def _note(
        self, string: BankString, was_open: tuple[bool, bool], dt_s: float
    ) -> None:
        now_open = (string.charge_open, string.discharge_open)
        for direction, before, after in zip(
            ("charge", "discharge"), was_open, now_open, strict=True
        ):
            if before or not after:
                continue
            amps = string.current_a
            lost_a = max(amps, 0.0) if direction == "charge" else min(amps, 0.0)
            culprit = next(
                pack.design.name
                for pack in string.packs
                if getattr(pack.protector, f"{direction}_open")
            )
            self.cut_offs.append(
                CutOff(
                    at_s=self.now_s + dt_s,
                    pack=culprit,
                    direction=direction,
                    current_a=lost_a,
                )
            )
