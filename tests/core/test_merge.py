"""Several sources to one snapshot: who is believed, and what nobody says."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from core_builders import Player, sample
from core_mixed import Bench, extra, meter, mixed, says
from tocsin.core.audit import faults
from tocsin.core.bank import discharge_ma, string_currents_ma
from tocsin.core.engine import step
from tocsin.core.events import Event, Reading, SourceFact, Tick
from tocsin.core.merge import refusal
from tocsin.core.model import Extra, Flag, Sample, Value
from tocsin.core.packs import Packs
from tocsin.core.state import State, fresh

STALE_MS = 10_000


def test_a_pack_s_own_word_goes_before_that_of_any_other_source() -> None:
    bench = Bench(mixed(extra("shunt"), extra("clamp", "left")))
    bench.hear(left=-30_000, right=-20_000, shunt=-49_000, clamp=-31_000)
    assert bench.current_ma("left") == -30_000
    assert bench.lent("left") == ()


def test_a_bank_s_current_is_divided_evenly_where_no_string_says_its_own() -> None:
    bench = Bench(mixed())
    bench.hear(left=None, right=None, shunt=-50_000)
    assert (bench.current_ma("left"), bench.current_ma("right")) == (-25_000, -25_000)
    assert [lent.shared for lent in bench.lent("left")] == [2]
    assert discharge_ma(bench.state.packs, bench.site) == 50_000


def test_a_string_without_a_sensor_carries_what_the_others_leave_of_the_bank() -> None:
    bench = Bench(mixed())
    bench.hear(left=-30_000, right=None, shunt=-50_000)
    assert bench.current_ma("right") == -20_000
    assert [lent.by for lent in bench.lent("right")] == ["shunt"]
    assert string_currents_ma(bench.state.packs, bench.site) == {
        "left": -30_000,
        "right": -20_000,
    }


def test_a_string_that_cannot_discharge_gets_no_share_of_a_discharge() -> None:
    bench = Bench(mixed())
    cut_off = frozenset({Flag.DISCHARGE_REFUSED})
    bench.play(
        says(1_000, "left", None, flags=cut_off),
        says(1_000, "right", None),
        meter(1_000, current_ma=-50_000),
    )
    assert (bench.current_ma("left"), bench.current_ma("right")) == (0, -50_000)
    bench.play(meter(2_000, current_ma=40_000))
    assert (bench.current_ma("left"), bench.current_ma("right")) == (20_000, 20_000)


@pytest.mark.parametrize("beside", [(), (extra(),)])
def test_packs_in_series_carry_one_current_that_any_of_them_may_say(
    beside: tuple[Extra, ...],
) -> None:
    series = mixed(packs=("upper", "lower"), strings=("A", "A"))
    bench = Bench(replace(series, extras=beside))
    bench.hear(upper=-30_000, lower=None)
    assert bench.current_ma("lower") == -30_000
    assert [lent.by for lent in bench.lent("lower")] == ["upper"]


@pytest.mark.parametrize("of", ["left", "bank"])
def test_the_source_nearest_to_the_pack_is_believed_and_behind_it_the_next(
    of: str,
) -> None:
    bench = Bench(mixed(extra("far"), extra("near", of)))
    bench.hear(left=None, right=-10_000, far=-40_000, near=-31_000)
    expected = {"left": -31_000, "bank": -30_000}
    assert bench.current_ma("left") == expected[of]
    bench.hear(12, left=None, right=-10_000, far=-40_000)
    assert bench.current_ma("left") == -30_000, "near is silent, far is not"


def test_of_five_strings_one_without_a_sensor_is_known_by_the_shunt() -> None:
    names = ("a", "b", "c", "d", "e")
    bench = Bench(mixed(packs=names))
    own: dict[str, Any] = {
        "a": -10_000,
        "b": -11_000,
        "c": -12_000,
        "d": None,
        "e": -13_000,
    }
    bench.hear(**own, shunt=-60_000)
    assert bench.current_ma("d") == -14_000


def test_a_string_s_own_sensor_counts_for_each_of_its_packs_and_for_the_rest() -> None:
    of = mixed(
        extra("shunt"),
        extra("clamp", "A"),
        packs=("a1", "a2", "b1", "b2"),
        strings=("A", "A", "B", "B"),
    )
    bench = Bench(of)
    bench.hear(a1=None, a2=None, b1=None, b2=None, shunt=-60_000, clamp=-40_000)
    assert [bench.current_ma(name) for name in ("a1", "a2", "b1", "b2")] == (
        [-40_000, -40_000, -20_000, -20_000]
    )
    assert bench.lent("b1")[0].shared == 1
    assert discharge_ma(bench.state.packs, of) == 60_000


def test_nothing_is_divided_while_a_string_with_a_voice_of_its_own_is_silent() -> None:
    bench = Bench(mixed())
    bench.hear(left=-30_000, right=None, shunt=-50_000)
    bench.hear(12, right=None, shunt=-50_000)
    assert bench.current_ma("right") is None, "what left carries is not known"


def test_nothing_is_divided_before_every_string_was_heard() -> None:
    bench = Bench(mixed())
    bench.hear(right=None, shunt=-50_000)
    assert bench.current_ma("right") is None


@pytest.mark.parametrize(
    ("age_ms", "expected"),
    [(9_999, -25_000), (10_000, None), (10_001, None)],
)
def test_what_is_lent_is_taken_back_as_it_becomes_stale(
    age_ms: int, expected: int | None
) -> None:
    bench = Bench(mixed())
    bench.play(
        meter(1_000, current_ma=-50_000),
        says(5_000, "left", None),
        says(5_000, "right", None),
    )
    bench.play(Tick(at_ms=1_000 + age_ms))
    assert bench.current_ma("left") == expected


def test_the_age_of_a_value_is_that_of_the_oldest_reading_in_it() -> None:
    bench = Bench(mixed())
    bench.play(
        says(1_000, "left", -30_000),
        meter(4_000, current_ma=-50_000),
        says(6_000, "right", None),
    )
    assert [lent.at_ms for lent in bench.lent("right")] == [1_000]
    bench.play(says(7_000, "left", -30_000))
    assert [lent.at_ms for lent in bench.lent("right")] == [4_000]


def test_a_voltage_and_a_charge_are_lent_but_never_a_cell_or_a_temperature() -> None:
    of = mixed(extra("meter", "bank", *Value))
    bench = Bench(of)
    bench.play(
        says(1_000, "left", None),
        says(1_000, "right", None),
        meter(
            1_000,
            "meter",
            current_ma=-8_000,
            voltage_mv=13_210,
            soc_permille=640,
            cells_mv=(2_500,) * 4,
            temps_dc=(600,),
        ),
    )
    left = bench.state.packs[0].sample
    assert left is not None
    assert (left.voltage_mv, left.soc_permille) == (13_210, 640)
    assert (left.cells_mv, left.temps_dc) == ((3_300,) * 4, (200,))
    assert bench.state.extras[0].sample == Sample(
        current_ma=-8_000, voltage_mv=13_210, soc_permille=640
    )


def test_of_packs_in_series_no_single_one_is_lent_the_voltage_of_all() -> None:
    of = mixed(
        extra("meter", "bank", Value.VOLTAGE),
        packs=("upper", "lower"),
        strings=("A", "A"),
    )
    bench = Bench(of)
    bench.play(says(1_000, "upper", 0), meter(1_000, "meter", voltage_mv=26_400))
    assert bench.state.packs[0].sample == sample(current_ma=0)


def test_shares_of_strings_are_not_judged_by_a_current_that_was_divided_evenly() -> (
    None
):
    bench = Bench(mixed())
    bench.hear(left=None, right=None, shunt=-60_000)
    assert Packs(bench.state.packs, bench.site, None).shares_permille() == {}
    bench.hear(left=-40_000, right=None, shunt=-60_000)
    shares = Packs(bench.state.packs, bench.site, None).shares_permille()
    assert shares.get("left") == 333


@pytest.mark.parametrize(
    ("of", "said", "word"),
    [
        (extra(), {"voltage_mv": 13_000}, "no current"),
        (extra("m", "bank", Value.SOC), {"soc_permille": 1_001}, "100.1 %"),
        (extra("m", "bank", Value.SOC), {"soc_permille": 1_000}, ""),
        (extra("m", "bank", Value.VOLTAGE), {"voltage_mv": 20_001}, "impossible"),
        (extra("m", "bank", Value.VOLTAGE), {"voltage_mv": 20_000}, ""),
        (extra("m", "left", Value.VOLTAGE), {"voltage_mv": -1}, "impossible"),
    ],
)
def test_what_cannot_be_true_is_refused(
    of: Extra, said: dict[str, int], word: str
) -> None:
    reason = refusal(Sample(**said), of, mixed(of))  # type: ignore[arg-type]
    assert word in reason
    assert bool(reason) is bool(word)


def test_a_refused_reading_is_told_and_counts_as_none() -> None:
    bench = Bench(mixed())
    bench.hear(left=None, right=None, shunt=-50_000)
    bench.play(meter(2_000, voltage_mv=13_000))
    told = [f for f in bench.facts if isinstance(f, SourceFact) and f.is_extra]
    assert [(fact.pack, fact.state) for fact in told] == [
        ("shunt", "online"),
        ("shunt", "refused"),
    ]
    assert bench.state.extras[0].heard_ms == 1_000


# --- properties ----------------------------------------------------------------------

NAMES = ("left", "right", "shunt", "clamp")
CURRENTS = st.integers(-200_000, 200_000)


@st.composite
def histories(draw: Any) -> tuple[bool, list[Event]]:
    """Readings of two packs, one perhaps without a current, a shunt and a clamp."""
    is_mute = draw(st.booleans())
    at_ms, events = 0, list[Event]()
    for _ in range(draw(st.integers(1, 25))):
        at_ms += draw(st.sampled_from((0, 0, 500, 1_000, 4_000, 9_999, 10_000)))
        name = draw(st.sampled_from((*NAMES, "")))
        current_ma = draw(CURRENTS)
        if name in {"shunt", "clamp"}:
            events.append(meter(at_ms, name, current_ma=current_ma))
        elif name:
            own = None if name == "right" and is_mute else current_ma
            events.append(says(at_ms, name, own))
        else:
            events.append(Tick(at_ms=at_ms))
    return is_mute, events


SITE = mixed(extra("shunt"), extra("clamp", "right"))


def played(events: list[Event]) -> State:
    state = fresh(SITE, now_ms=0)
    for event in events:
        outcome = step(state, event, SITE)
        assert not faults(outcome, SITE)
        state = outcome.state
    return state


def seen(state: State) -> list[object]:
    return [(pack.sample, pack.lent, pack.online) for pack in state.packs]


@settings(max_examples=200)
@given(histories(), st.randoms(use_true_random=False))
def test_the_order_of_readings_of_one_moment_does_not_matter(
    history: tuple[bool, list[Event]], shuffler: Any
) -> None:
    _, events = history
    newest = {
        (event.at_ms, event.pack): event
        for event in events
        if isinstance(event, Reading)
    }
    one = list(newest.values())
    other = list(one)
    shuffler.shuffle(other)
    other.sort(key=lambda event: event.at_ms)
    assert seen(played([*one])) == seen(played([*other]))


@settings(max_examples=100)
@given(histories(), st.lists(st.integers(0, 200_000), max_size=20))
def test_looking_more_often_changes_nothing(
    history: tuple[bool, list[Event]], looks_ms: list[int]
) -> None:
    """The wake-up that a step asks for is a promise, lost sources included."""
    events = [Tick(at_ms=0), *history[1]]
    ticks = [Tick(at_ms=ms) for ms in looks_ms if ms <= events[-1].at_ms]
    often = Player(SITE)
    often.play(*sorted([*events, *ticks], key=lambda event: event.at_ms))
    seldom = Player(SITE)
    seldom.play(*events)
    assert often.facts == seldom.facts
    assert often.state == seldom.state


@settings(max_examples=200)
@given(histories())
def test_no_value_is_used_that_is_stale_and_none_is_made_up(
    history: tuple[bool, list[Event]],
) -> None:
    is_mute, events = history
    state = fresh(SITE, now_ms=0)
    said: dict[str, tuple[int, int | None]] = {}
    for event in events:
        state = step(state, event, SITE).state
        if isinstance(event, Reading):
            said[event.pack] = (event.at_ms, event.sample.current_ma)
        now = {
            name: number
            for name, (at_ms, number) in said.items()
            if event.at_ms - at_ms < STALE_MS
        }
        for name, pack in zip(("left", "right"), state.packs, strict=True):
            assert pack.online is (name in now)
            if not pack.online or pack.sample is None:
                continue
            expected = now[name]
            if name == "right" and is_mute:
                expected = now.get("clamp")
                if expected is None and "shunt" in now and "left" in now:
                    expected = (now["shunt"] or 0) - (now["left"] or 0)
            assert pack.sample.current_ma == expected
