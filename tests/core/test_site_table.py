"""A site and its rules refuse what cannot be meant, and say where."""

from __future__ import annotations

from dataclasses import replace

import pytest

from core_builders import low_rule, output, rule, site
from tocsin.core.model import Bank
from tocsin.core.rules import Action, Measure, Role, Rule, Scope, Unit

CHARGE_AND_LOADS = (Action(role=Role.CHARGE_PERMIT), Action(role=Role.LOAD_PERMIT))


@pytest.mark.parametrize(
    ("packs", "named"),
    [(("left", "left", "right"), "left"), (("b", "a", "c", "b", "a"), "a, b")],
)
def test_two_packs_of_one_name_are_refused_by_name(
    packs: tuple[str, ...], named: str
) -> None:
    with pytest.raises(ValueError, match=rf"^two packs share a name: {named}$"):
        site(packs=packs)


def test_two_rules_of_one_name_are_refused_by_name() -> None:
    with pytest.raises(ValueError, match=r"^two rules share a name: full$"):
        site(rule("full"), low_rule("low"), rule("full"))


def test_two_outputs_of_one_name_are_refused_by_name() -> None:
    outputs = [output("horn", Role.HORN), output("horn", Role.BEACON)]
    with pytest.raises(ValueError, match=r"^two outputs share a name: horn$"):
        site(outputs=outputs)


def test_a_bank_without_a_pack_is_refused() -> None:
    with pytest.raises(ValueError, match=r"^a bank needs at least one pack$"):
        replace(site(), bank=Bank(packs=(), capacity_mah=100_000))


def test_a_rule_explained_by_one_that_is_not_there_is_refused() -> None:
    unknown = rule("full", suppressed_by=("low", "attic", "cellar"))
    message = r"^full: suppressed by unknown attic, cellar$"
    with pytest.raises(ValueError, match=message):
        site(unknown, low_rule("low"))


def test_the_hot_limits_are_the_lowest_at_which_a_rule_drops_the_permit() -> None:
    hot = {"measure": Measure.HOTTEST, "clear_at": 400}
    rules = (
        rule("warm", **hot, trip_at=430, actions=()),
        rule("hot", **hot, trip_at=450, actions=(Action(role=Role.CHARGE_PERMIT),)),
        rule("hotter", **hot, trip_at=500, actions=CHARGE_AND_LOADS),
        rule("cool", **hot | {"clear_at": 420}, trip_at=410, actions=CHARGE_AND_LOADS),
    )
    made = site(*rules)
    assert (made.hot_charge_dc, made.hot_load_dc) == (450, 500)
    assert (site().hot_charge_dc, site().hot_load_dc) == (None, None)


@pytest.mark.parametrize(
    "delay", ["on_delay_ms", "off_delay_ms", "realarm_ms", "max_shelve_ms"]
)
def test_no_duration_of_a_rule_is_below_zero(delay: str) -> None:
    for at_least_ms in (0, 1):
        assert rule("full", **{delay: at_least_ms}).name == "full"
    with pytest.raises(ValueError, match=r"^full: a duration must be 0 or more$"):
        rule("full", **{delay: -1})


def test_a_rule_needs_two_limits_that_differ() -> None:
    assert rule("full", trip_at=3_600, clear_at=3_599).trip_at == 3_600
    assert rule("full", trip_at=3_600, clear_at=3_601).trip_at == 3_600
    with pytest.raises(
        ValueError, match=r"^full: the trip and clear limits must differ$"
    ):
        rule("full", trip_at=3_600, clear_at=3_600)


@pytest.mark.parametrize(
    ("unit", "shown", "inside"),
    [
        (Unit.MV, 3.45, 3_450),
        (Unit.MA, -12.5, -12_500),
        (Unit.DC, 4.96, 50),
        (Unit.PERMILLE, 12.3, 123),
        (Unit.SECONDS, 0.5, 500),
        (Unit.MINUTES, 15, 900_000),
        (Unit.DAYS, 14, 1_209_600_000),
        (Unit.COUNT, 2, 2),
    ],
)
def test_what_people_wrote_is_taken_in_whole_inner_units(
    unit: Unit, shown: float, inside: int
) -> None:
    assert unit.inside(shown) == inside
    assert unit.shown(inside) == round(shown, unit.value[2])


SHARE = rule("share", measure=Measure.STRING_SHARE)


@pytest.mark.parametrize("shares", [(), (SHARE,), (SHARE, replace(SHARE, name="s2"))])
@pytest.mark.parametrize("at", [0, 1, 2])
def test_the_groups_of_strings_follow_each_other_wherever_their_rules_are(
    shares: tuple[Rule, ...], at: int
) -> None:
    rules = [rule("full"), low_rule("low")]
    rules[at:at] = shares
    made = site(*rules, packs=("a", "b", "c"), strings=("x", "x", "y"))
    of_strings = [
        group
        for group, (scope, _) in enumerate(made.alarms_of)
        if scope is Scope.STRING
    ]
    assert list(made.string_groups) == of_strings
    assert len(of_strings) == (2 if shares else 0)
