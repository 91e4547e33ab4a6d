"""Alarms that are hidden (ANSI/ISA-18.2-2016, IEC 62682, states G, H and I).

Shelved, suppressed by design and out of service lie over an alarm: its condition is
still judged, and what comes out of hiding is unacknowledged or normal, never
silently acknowledged.
"""

from __future__ import annotations

import pytest

from core_builders import (
    CHARGE,
    Player,
    command,
    low_rule,
    output,
    reading,
    rule,
    site,
)
from tocsin.core.events import AlarmFact, Event, Verb
from tocsin.core.rules import Measure, Role
from tocsin.core.site import Timing

HIGH = (3_300, 3_650, 3_300, 3_300)
NO_STALE = Timing(good_scans=1, stale_ms=10**9)

HIDE = {
    "shelved": command(2_000, Verb.SHELVE, "high-cell", for_ms=60_000),
    "out of service": command(2_000, Verb.REMOVE, "high-cell"),
}
SHOW = {
    "shelved": command(50_000, Verb.UNSHELVE, "high-cell"),
    "out of service": command(50_000, Verb.RETURN, "high-cell"),
}


@pytest.mark.parametrize(
    ("asked_ms", "state"),
    [(61_999, "shelved"), (62_000, "unacknowledged"), (62_001, "unacknowledged")],
)
def test_shelving_ends_at_its_moment_and_the_alarm_is_judged_afresh(
    asked_ms: int, state: str
) -> None:
    player = Player(site(rule(), timing=NO_STALE))
    player.play(reading(0, *HIGH), command(1_000, Verb.ACKNOWLEDGE), HIDE["shelved"])
    assert player.outcomes[-1].wake_at_ms == 62_000
    player.tick(asked_ms)
    assert player.alarm("high-cell") == state


@pytest.mark.parametrize("how", HIDE)
@pytest.mark.parametrize("is_acknowledged", [False, True])
def test_an_alarm_still_there_comes_out_of_hiding_unacknowledged(
    how: str, *, is_acknowledged: bool
) -> None:
    player = Player(site(rule(), timing=NO_STALE))
    player.play(reading(0, *HIGH))
    if is_acknowledged:
        player.play(command(1_000, Verb.ACKNOWLEDGE))
    player.play(HIDE[how])
    assert player.alarm("high-cell") == how
    player.play(SHOW[how])
    assert player.alarm("high-cell") == "unacknowledged"


@pytest.mark.parametrize("how", HIDE)
@pytest.mark.parametrize("is_acknowledged", [False, True])
def test_an_alarm_gone_meanwhile_comes_out_of_hiding_normal(
    how: str, *, is_acknowledged: bool
) -> None:
    player = Player(site(rule(), timing=NO_STALE))
    player.play(reading(0, *HIGH), HIDE[how])
    if is_acknowledged:
        player.play(command(3_000, Verb.ACKNOWLEDGE))
    player.play(reading(4_000))
    assert player.alarm("high-cell") == how
    player.play(SHOW[how])
    assert player.alarm("high-cell") == "normal"


@pytest.mark.parametrize("how", HIDE)
def test_an_alarm_come_meanwhile_comes_out_of_hiding_unacknowledged(how: str) -> None:
    player = Player(site(rule(), timing=NO_STALE))
    player.play(reading(0), HIDE[how], reading(4_000, *HIGH))
    assert player.alarm("high-cell") == how
    player.play(SHOW[how])
    assert player.alarm("high-cell") == "unacknowledged"


@pytest.mark.parametrize("how", HIDE)
def test_a_latch_set_in_hiding_comes_out_of_it_unacknowledged(
    how: str,
) -> None:
    player = Player(site(rule(latching=True), timing=NO_STALE))
    player.play(reading(0, *HIGH), HIDE[how], reading(4_000))
    player.play(command(5_000, Verb.ACKNOWLEDGE), SHOW[how])
    assert player.alarm("high-cell") == "latched unacknowledged"


@pytest.mark.parametrize("how", HIDE)
def test_what_happens_in_hiding_is_written_down(how: str) -> None:
    player = Player(site(rule(), timing=NO_STALE))
    player.play(reading(0), HIDE[how], reading(4_000, *HIGH), reading(6_000))
    told = [f for f in player.facts if isinstance(f, AlarmFact) and f.at_ms > 2_000]
    assert [(f.at_ms, f.state, f.was) for f in told] == [
        (4_000, how, how),
        (6_000, how, how),
    ]
    assert "not present" not in told[0].message
    assert "not present" in told[1].message


def _guarded() -> Player:
    return Player(
        site(
            rule(actions=(CHARGE,)),
            outputs=[output("charge", Role.CHARGE_PERMIT)],
            timing=NO_STALE,
        )
    )


@pytest.mark.parametrize("how", HIDE)
def test_hiding_an_alarm_does_not_give_its_permit_back(how: str) -> None:
    player = _guarded()
    player.play(reading(0), reading(1_000, *HIGH), HIDE[how], reading(4_000, *HIGH))
    assert not player.level("charge")
    assert player.because("charge") == ("high-cell",)
    player.play(reading(5_000))
    assert player.level("charge")


@pytest.mark.parametrize("how", HIDE)
def test_an_alarm_that_comes_in_hiding_still_drops_its_permit(how: str) -> None:
    player = _guarded()
    player.play(reading(0), HIDE[how])
    assert player.level("charge")
    player.play(reading(4_000, *HIGH))
    assert not player.level("charge")


REFUSED = rule(
    "refused",
    measure=Measure.LOWEST_CELL,
    trip_at=3_200,
    clear_at=3_250,
    actions=(CHARGE,),
    suppressed_by=("cold",),
)
COLD = rule("cold", measure=Measure.COLDEST, trip_at=50, clear_at=80)
LOW = (3_300, 3_100, 3_300, 3_300)


def _explained(*events: Event, packs: tuple[str, ...] = ("left",)) -> Player:
    of = site(
        REFUSED,
        COLD,
        packs=packs,
        timing=NO_STALE,
        outputs=[output("charge", Role.CHARGE_PERMIT)],
    )
    player = Player(of)
    player.play(*events)
    return player


def test_an_alarm_that_another_explains_is_suppressed_and_its_cause_is_not() -> None:
    player = _explained(reading(0), reading(1_000, *LOW, temps_dc=(0,)))
    assert player.alarm("refused") == "suppressed by design"
    assert player.alarm("cold") == "unacknowledged"
    assert player.because("charge") == ("refused",)


def test_an_explained_alarm_is_found_wherever_it_stands_in_the_table() -> None:
    """Before it: its cause, and one that nothing explains, present or not."""
    hot = rule("hot", measure=Measure.HOTTEST, trip_at=500, clear_at=450)
    player = Player(site(COLD, hot, REFUSED, timing=NO_STALE))
    player.play(reading(0, *LOW, temps_dc=(0,)))
    assert player.alarm("refused") == "suppressed by design"
    assert player.alarm("cold") == "unacknowledged"


@pytest.mark.parametrize(
    ("later", "state"), [(LOW, "unacknowledged"), ((3_300,) * 4, "normal")]
)
def test_when_the_cause_ends_the_consequence_is_judged_afresh(
    later: tuple[int, ...], state: str
) -> None:
    player = _explained(
        reading(0, *LOW),
        command(500, Verb.ACKNOWLEDGE),
        reading(1_000, *LOW, temps_dc=(0,)),
        reading(2_000, *later, temps_dc=(0,)),
        reading(3_000, *later, temps_dc=(200,)),
    )
    assert player.alarm("refused") == state
    states = [s for _, s in player.history("refused")]
    assert states[:3] == ["unacknowledged", "acknowledged", "suppressed by design"]


def test_the_cause_in_another_pack_explains_nothing() -> None:
    player = _explained(
        reading(0, *LOW, pack="left"),
        reading(0, pack="right", temps_dc=(0,)),
        packs=("left", "right"),
    )
    assert player.alarm("cold", "right") == "unacknowledged"
    assert player.alarm("refused", "left") == "unacknowledged"


def test_an_alarm_that_is_normal_does_not_show_as_suppressed() -> None:
    player = _explained(reading(0, temps_dc=(0,)))
    assert player.alarm("refused") == "normal"


def test_a_suppressed_latch_stays_latched_when_its_cause_ends() -> None:
    of = site(low_rule(latching=True, suppressed_by=("cold",)), COLD, timing=NO_STALE)
    player = Player(of)
    player.play(reading(0, 2_900, 3_300, 3_300, 3_300, temps_dc=(0,)))
    assert player.alarm("low-cell") == "suppressed by design"
    player.play(reading(1_000, temps_dc=(0,)), reading(2_000))
    assert player.alarm("low-cell") == "latched unacknowledged"


def test_out_of_service_shows_above_suppressed_and_suppressed_above_shelved() -> None:
    player = _explained(reading(0, *LOW, temps_dc=(0,)))
    player.play(command(1_000, Verb.SHELVE, "refused", for_ms=60_000))
    assert player.alarm("refused") == "suppressed by design"
    player.play(command(2_000, Verb.REMOVE, "refused"))
    assert player.alarm("refused") == "out of service"
    player.play(command(3_000, Verb.RETURN, "refused"))
    assert player.alarm("refused") == "suppressed by design"
    player.play(reading(4_000, *LOW))
    assert player.alarm("refused") == "shelved"
    player.tick(61_000)
    assert player.alarm("refused") == "unacknowledged"
