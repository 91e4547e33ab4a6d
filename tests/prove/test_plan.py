from __future__ import annotations

import pytest

from core_builders import (
    ALL_LOADS,
    CHARGE,
    low_rule,
    output,
    rule,
    site,
    stage,
)
from tocsin.core.plant import Input, InputRole
from tocsin.core.rules import Measure, Role
from tocsin.core.site import Timing
from tocsin.prove import plan
from tocsin.prove.evidence import CurrentFall, ReadBack, evidence_for

HUT = site(
    rule("high", actions=(CHARGE,), on_delay_ms=2_000),
    low_rule("low", actions=(stage(2),), on_delay_ms=10_000),
    rule(
        "lost",
        measure=Measure.DATA_AGE,
        trip_at=8_000,
        clear_at=0,
        actions=(CHARGE, ALL_LOADS),
        is_data_loss=True,
    ),
    rule("share", measure=Measure.STRING_SHARE, trip_at=300, clear_at=200),
    packs=("left", "right"),
    strings=("a", "a"),
    outputs=[
        output("charge", Role.CHARGE_PERMIT, min_off_ms=60_000),
        output("drying", Role.LOAD_PERMIT, stage=1, hold_ms=20_000),
        output("lights", Role.LOAD_PERMIT, stage=2, hold_ms=30_000),
        output("horn", Role.HORN),
        output("heart", Role.HEARTBEAT),
    ],
    timing=Timing(shed_settle_ms=5_000, restore_gap_ms=300_000),
)


def test_every_rule_of_every_output_is_in_the_plan_and_what_hands_do() -> None:
    names = [item.name for item in plan.whole(HUT)]
    assert names == [
        "charge by high",
        "charge by lost",
        "charge, wire pulled",
        "drying by low",
        "drying by lost",
        "drying, wire pulled",
        "lights by low",
        "lights by lost",
        "lights, wire pulled",
        "horn by high",
        "horn by low",
        "horn by lost",
        "left, data cable pulled",
        "right, data cable pulled",
        "process killed",
    ]


def test_rules_are_tried_on_one_pack_after_another() -> None:
    tried = {item.rule: item.subject for item in plan.whole(HUT) if item.rule}
    assert tried == {"high": "left", "low": "right", "lost": "left"}


@pytest.mark.parametrize(
    ("outputs", "rules", "names"),
    [
        ((), ("high",), ["charge by high", "horn by high"]),
        (("charge",), (), ["charge by high", "charge by lost", "charge, wire pulled"]),
        (("horn",), ("low",), ["horn by low"]),
        (("charge",), ("low",), []),
    ],
)
def test_a_part_can_be_chosen(
    outputs: tuple[str, ...], rules: tuple[str, ...], names: list[str]
) -> None:
    chosen = plan.chosen(plan.whole(HUT), outputs, rules)
    assert [item.name for item in chosen] == names


@pytest.mark.parametrize(
    ("name", "of", "due_ms"),
    [
        ("high", "charge", 2_000),
        ("low", "drying", 10_000),
        ("low", "lights", 15_000),
        ("lost", "charge", 8_000),
        ("lost", "horn", 8_000),
        ("lost", "drying", 28_000),
        ("lost", "lights", 38_000),
    ],
)
def test_a_pin_is_due_after_delay_stale_time_hold_and_earlier_stages(
    name: str, of: str, due_ms: int
) -> None:
    due = plan.expected_ms(HUT, plan.rule_of(HUT, name), plan.output_of(HUT, of))
    assert due == due_ms


def test_outputs_are_given_their_rest_and_their_turn_to_come_back() -> None:
    assert plan.return_ms(HUT) == 60_000 + 300_000


def seen(*lines: tuple[str, float | bool | None], sign: int = -1) -> str:
    fall = CurrentFall("lights", sign)
    for kind, value in lines:
        if kind == "pin":
            fall.see({"kind": "pin", "output": "lights", "energised": value})
        else:
            fall.see({"kind": "current", "bank_a": value, "after_ms": 1_200})
    return fall.found


@pytest.mark.parametrize(
    ("after_a", "is_seen"), [(-17.9, True), (-18.0, True), (-18.1, False)]
)
def test_a_tenth_less_current_shows_a_shed_load(
    after_a: float, *, is_seen: bool
) -> None:
    found = seen(("current", -20.0), ("pin", False), ("current", after_a))
    assert bool(found) is is_seen


@pytest.mark.parametrize(
    ("before_a", "is_seen"), [(-0.4, False), (-0.5, True), (-0.6, True), (None, False)]
)
def test_a_small_current_shows_nothing(
    before_a: float | None, *, is_seen: bool
) -> None:
    found = seen(("current", before_a), ("pin", False), ("current", 0.0))
    assert bool(found) is is_seen


def test_current_that_fell_before_the_pin_or_flows_the_other_way_shows_nothing() -> (
    None
):
    assert not seen(("current", -20.0), ("current", 0.0), ("pin", False))
    assert not seen(("current", 20.0), ("pin", False), ("current", 0.0))
    assert seen(("current", 20.0), ("pin", False), ("current", 0.0), sign=1)


def test_only_permits_have_a_current() -> None:
    assert [bool(evidence_for(each, ())) for each in HUT.outputs] == [
        *(True, True, True),
        *(False, False),
    ]


def read_back(*lines: tuple[str, bool | None], name: str = "aux") -> str:
    contact = ReadBack("lights", "aux")
    for kind, value in lines:
        if kind == "pin":
            contact.see({"kind": "pin", "output": "lights", "energised": value})
        else:
            told = {"kind": "input", "input": name, "active": value, "after_ms": 90}
            contact.see(told)
    return contact.found


def test_a_contact_that_follows_the_pin_shows_its_effect() -> None:
    found = read_back(("input", True), ("pin", False), ("input", False))
    assert found == "aux was read off, 0.1 s after the crossing"


def test_a_contact_shows_nothing_before_the_pin_unread_at_rest_or_of_another() -> None:
    assert not read_back(("input", False), ("pin", False))
    assert not read_back(("pin", False), ("input", None))
    assert not read_back(("pin", False), ("input", True))
    assert not read_back(("pin", False), ("input", False), name="door")


def test_an_output_is_seen_by_the_contacts_that_follow_it() -> None:
    lights = plan.output_of(HUT, "lights")
    inputs = [
        Input(name="aux", role=InputRole.READ_BACK, output="lights"),
        Input(name="other", role=InputRole.READ_BACK, output="charge"),
        Input(name="button", role=InputRole.SILENCE),
    ]
    seen_by = evidence_for(lights, inputs)
    assert [type(each) for each in seen_by] == [ReadBack, CurrentFall]
