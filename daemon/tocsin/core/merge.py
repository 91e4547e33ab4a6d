"""Several sources to one snapshot: what a pack is lent, and where two disagree.

A pack's own word goes first. What it does not say is lent by the source nearest to it:
one of the pack, then of its string, then of the bank. A bank's current is never the
current of one of several strings; what it has left after the strings that are known is
that of the others. Nothing stale is lent.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, TypeAlias

from tocsin.core.model import BANK, Extra, Flag, Lent, Sample, Value

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator, Sequence

    from tocsin.core.measures import PackState
    from tocsin.core.site import Site

FULL_PERMILLE = 1_000


@dataclass(frozen=True, slots=True, kw_only=True)
class ExtraState:
    """What the core believes of one source beside the packs' own.

    Attributes:
        heard_ms: When the newest good reading came; before one, when we started.
        online: The newest good reading is not stale.
        trouble: Why the newest poll gave nothing; empty when it gave something.
        sample: What it said last, and only what it is there for; None once stale.
        compared_ms: When it was last held against others.
    """

    heard_ms: int
    online: bool = False
    trouble: str = ""
    sample: Sample | None = None
    compared_ms: int = -1


@dataclass(frozen=True, slots=True, kw_only=True)
class Known:
    """A number, who said it, and when the oldest reading in it was made."""

    number: int
    by: str
    at_ms: int
    shared: int = 1

    def lent(self, value: Value) -> Lent:
        """Return it as what a pack is lent."""
        return Lent(
            value=value,
            number=self.number,
            by=self.by,
            at_ms=self.at_ms,
            shared=self.shared,
        )


@dataclass(frozen=True, slots=True, kw_only=True)
class Apart:
    """Two sources of one value, and how much of what is allowed they are apart."""

    value: Value
    one: Known
    other: Known
    permille: int

    @property
    def at_ms(self) -> int:
        """Return when the older of the two readings was made."""
        return min(self.one.at_ms, self.other.at_ms)


Packs: TypeAlias = "Sequence[PackState]"
Extras: TypeAlias = "Sequence[ExtraState]"


def refusal(sample: Sample, extra: Extra, site: Site) -> str:
    """Return why *sample* cannot be what *extra* says, or an empty string."""
    for value in extra.values:
        if value.of(sample) is None:
            return f"it says no {value}"
    soc, voltage_mv = sample.soc_permille, sample.voltage_mv
    if Value.SOC in extra.values and soc is not None and not 0 <= soc <= FULL_PERMILLE:
        return f"a charge of {soc / 10:.1f} % is impossible"
    if Value.VOLTAGE in extra.values and voltage_mv is not None:
        cells = sum(site.bank.packs[i].cells for i in _in_series(extra, site))
        if not 0 <= voltage_mv <= site.chemistry.possible_mv[1] * cells:
            said = f"{voltage_mv / 1000:.2f} V"
            return f"{cells} cells in series at {said} are impossible"
    return ""


def said(sample: Sample, extra: Extra) -> Sample:
    """Return what counts of *sample*: the values that *extra* is there for."""
    fields = {value.field: value.of(sample) for value in extra.values}
    return Sample(origin=sample.origin, **fields)  # type: ignore[arg-type]


def whole(own: Sample, lent: Iterable[Lent]) -> Sample:
    """Return what a pack says itself with what it is *lent*."""
    more = {each.value.field: each.number for each in lent}
    return replace(own, **more) if more else own  # type: ignore[arg-type]


def without(known: Sample, lent: Iterable[Lent]) -> Sample:
    """Return what a pack says itself, of what is known of it."""
    fields = dict.fromkeys(each.value.field for each in lent)
    return replace(known, **fields)  # type: ignore[arg-type]


def lent_to(i: int, packs: Packs, extras: Extras, site: Site) -> tuple[Lent, ...]:
    """Return what pack *i* does not say itself and others say; nothing stale."""
    pack = packs[i]
    if not site.lends or not pack.online or pack.own is None:
        return ()
    lent = []
    for value in Value:
        if value.of(pack.own) is None:
            known = _for_pack(i, value, packs, extras, site)
            if known is not None:
                lent.append(known.lent(value))
    return tuple(lent)


def _for_pack(
    i: int, value: Value, packs: Packs, extras: Extras, site: Site
) -> Known | None:
    string = site.bank.packs[i].string
    if value is Value.CURRENT:
        strings = string_currents(packs, extras, site)
        return strings.get(string) or _rest(string, strings, packs, extras, site)
    places = [site.bank.packs[i].name]
    if value is Value.SOC or len(_members(string, site)) == 1:
        places += [string, BANK]
    found = (_said(place, value, extras, site) for place in places)
    return next((known for known in found if known is not None), None)


def string_currents(packs: Packs, extras: Extras, site: Site) -> dict[str, Known]:
    """Return the current of each string that says it, or that has its own sensor.

    Packs in series carry one current, so one of them speaks for all.
    """
    found = {}
    for string in site.bank.strings:
        known = _own(string, Value.CURRENT, packs, site) or _sensed(
            string, extras, site
        )
        if known is not None:
            found[string] = known
    return found


def _own(string: str, value: Value, packs: Packs, site: Site) -> Known | None:
    """Return the mean of what the packs of *string* say themselves, if any does."""
    spoken = [
        (number, site.bank.packs[i].name, packs[i].heard_ms)
        for i in _members(string, site)
        if packs[i].online and (number := value.of(packs[i].own)) is not None
    ]
    return _joined(spoken, divisor=len(spoken))


def _sensed(string: str, extras: Extras, site: Site) -> Known | None:
    names = (site.bank.packs[i].name for i in _members(string, site))
    places = dict.fromkeys((*names, string))
    found = (_said(place, Value.CURRENT, extras, site) for place in places)
    return next((known for known in found if known is not None), None)


def _rest(
    string: str, strings: dict[str, Known], packs: Packs, extras: Extras, site: Site
) -> Known | None:
    """Return the part of the bank's current that falls to *string*.

    Strings of which nothing is known share what is left evenly, but for those whose
    protection says that it has that direction cut off. None while a string that has a
    voice of its own is silent: what it carries is not known.
    """
    bank = _said(BANK, Value.CURRENT, extras, site)
    others = [name for name in site.bank.strings if name not in strings]
    if bank is None or not all(_is_mute(name, packs, site) for name in others):
        return None
    rest_ma = bank.number - sum(known.number for known in strings.values())
    cut_off = Flag.CHARGE_REFUSED if rest_ma > 0 else Flag.DISCHARGE_REFUSED
    able = [name for name in others if not _flagged(name, cut_off, packs, site)]
    able = able or others
    at_ms = min([bank.at_ms, *(known.at_ms for known in strings.values())])
    number = rest_ma // len(able) if string in able else 0
    return Known(number=number, by=bank.by, at_ms=at_ms, shared=len(others))


def _is_mute(string: str, packs: Packs, site: Site) -> bool:
    """Return True if every pack of *string* was heard, and none says its current."""
    members = [packs[i].own for i in _members(string, site)]
    return all(own is not None and own.current_ma is None for own in members)


def _flagged(string: str, flag: Flag, packs: Packs, site: Site) -> bool:
    return any(
        flag in own.flags
        for i in _members(string, site)
        if (own := packs[i].own) is not None
    )


def _said(of: str, value: Value, extras: Extras, site: Site) -> Known | None:
    """Return what the first source of *of* that is heard says of *value*."""
    return next(_all_said(of, value, extras, site), None)


def _all_said(of: str, value: Value, extras: Extras, site: Site) -> Iterator[Known]:
    for extra, state in zip(site.extras, extras, strict=True):
        number = value.of(state.sample)
        if extra.of == of and state.online and number is not None:
            yield Known(number=number, by=extra.name, at_ms=state.heard_ms)


# --- comparing -----------------------------------------------------------------------


def apart(
    at: int, values: Iterable[Value], packs: Packs, extras: Extras, site: Site
) -> list[Apart]:
    """Return how far extra source *at* is from each other one, of *values*.

    Nothing while it or everybody else is silent.
    """
    extra, state = site.extras[at], extras[at]
    wanted = frozenset(values)
    found: list[Apart] = []
    for value, agreement in extra.gives:
        number = value.of(state.sample)
        if value not in wanted or not state.online or number is None:
            continue
        one = Known(number=number, by=extra.name, at_ms=state.heard_ms)
        found += [
            Apart(
                value=value,
                one=one,
                other=other,
                permille=agreement.used_permille(one.number, other.number),
            )
            for other in _others(extra, value, packs, extras, site)
        ]
    return found


def _others(
    extra: Extra, value: Value, packs: Packs, extras: Extras, site: Site
) -> list[Known]:
    """Return what everybody else says of the same thing."""
    said = [
        known
        for known in _all_said(extra.of, value, extras, site)
        if known.by != extra.name
    ]
    own = _of_packs(extra, value, packs, extras, site)
    return said if own is None else [*said, own]


def _of_packs(
    extra: Extra, value: Value, packs: Packs, extras: Extras, site: Site
) -> Known | None:
    """Return what the packs come to; None unless all that it takes is known.

    That is the sum of currents in parallel and of voltages in series, else the mean.
    """
    if extra.of in site.pack_at:
        at = site.pack_at[extra.of]
        if value is Value.CURRENT:
            return _own(site.bank.packs[at].string, value, packs, site)
        return _only(at, value, packs, site)
    if extra.of != BANK:
        return _of_string(extra.of, value, packs, site)
    if value is Value.CURRENT:
        each: list[Known | None] = [
            string_currents(packs, extras, site).get(name) for name in site.bank.strings
        ]
        divisor = 1
    else:
        each = [_of_string(name, value, packs, site) for name in site.bank.strings]
        divisor = len(each)
    return _all_of(each, divisor=divisor)


def _of_string(string: str, value: Value, packs: Packs, site: Site) -> Known | None:
    if value is Value.CURRENT:
        return _own(string, value, packs, site)
    each = [_only(i, value, packs, site) for i in _members(string, site)]
    return _all_of(each, divisor=1 if value is Value.VOLTAGE else len(each))


def _only(i: int, value: Value, packs: Packs, site: Site) -> Known | None:
    number = value.of(packs[i].own) if packs[i].online else None
    if number is None:
        return None
    name = site.bank.packs[i].name
    return Known(number=number, by=name, at_ms=packs[i].heard_ms)


def _all_of(each: Sequence[Known | None], *, divisor: int) -> Known | None:
    known = [one for one in each if one is not None]
    if len(known) < len(each):
        return None
    return _joined([(one.number, one.by, one.at_ms) for one in known], divisor=divisor)


def _joined(spoken: Sequence[tuple[int, str, int]], *, divisor: int) -> Known | None:
    if not spoken:
        return None
    names = dict.fromkeys(name for _, by, _ in spoken for name in by.split(", "))
    return Known(
        number=sum(number for number, _, _ in spoken) // divisor,
        by=", ".join(names),
        at_ms=min(at_ms for _, _, at_ms in spoken),
    )


def _members(string: str, site: Site) -> list[int]:
    return [i for i, pack in enumerate(site.bank.packs) if pack.string == string]


def _in_series(extra: Extra, site: Site) -> list[int]:
    """Return the packs whose voltages add up to the one that *extra* sees."""
    if extra.of in site.pack_at:
        return [site.pack_at[extra.of]]
    return _members(site.bank.strings[0] if extra.of == BANK else extra.of, site)
