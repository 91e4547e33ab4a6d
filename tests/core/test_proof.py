"""A virtual reading: towards safe only, beside the real one, and gone without trace."""

from __future__ import annotations

from dataclasses import replace

import pytest

from core_builders import (
    ALL_LOADS,
    CHARGE,
    Player,
    command,
    low_rule,
    output,
    reading,
    rule,
    site,
    stage,
)
from tocsin.core.events import (
    AlarmFact,
    OutputFact,
    ProofBegin,
    ProofEnd,
    ProofFact,
    Proving,
    Tick,
    Trouble,
    Verb,
)
from tocsin.core.proof import LONGEST_MS, worse
from tocsin.core.rules import Action, Measure, Priority, Role
from tocsin.core.site import Timing

HUT = site(
    rule("high-cell", actions=(CHARGE,), on_delay_ms=2_000, priority=Priority.LOW),
    low_rule(
        "low-cell",
        on_delay_ms=5_000,
        actions=(stage(2), Action(role=Role.GENERATOR_CALL)),
        needs_charge_back=True,
    ),
    rule(
        "source-lost",
        measure=Measure.DATA_AGE,
        trip_at=4_000,
        clear_at=0,
        actions=(CHARGE, ALL_LOADS),
        is_data_loss=True,
    ),
    rule("spread", measure=Measure.CELL_SPREAD, trip_at=100, clear_at=60),
    rule("trouble", measure=Measure.TROUBLE, trip_at=1, clear_at=0),
    rule(
        "coldest",
        measure=Measure.COLDEST,
        trip_at=50,
        clear_at=60,
        actions=(CHARGE,),
        priority=Priority.LOW,
    ),
    packs=("left", "right"),
    outputs=[
        output("charge", Role.CHARGE_PERMIT, min_off_ms=3_000),
        output("drying", Role.LOAD_PERMIT, stage=1, hold_ms=6_000),
        output("lights", Role.LOAD_PERMIT, stage=2, hold_ms=6_000),
        output("horn", Role.HORN),
        output("set", Role.GENERATOR_CALL, min_on_ms=20_000, min_off_ms=9_000),
    ],
    timing=Timing(
        good_scans=2,
        stale_ms=4_000,
        shed_settle_ms=1_000,
        restore_gap_ms=2_000,
        horn_cap_ms=30_000,
    ),
)


class Hut(Player):
    """Fern Ridge hut, read every second."""

    def __init__(self) -> None:
        super().__init__(HUT)
        self.at_ms = 0
        self.live(3)

    def live(self, seconds: int, *cells_mv: int, pack: str = "") -> None:
        for _ in range(seconds):
            for name in ("left", "right"):
                if pack in {"", name}:
                    self.play(reading(self.at_ms, *cells_mv, pack=name))
                elif cells_mv:
                    self.play(reading(self.at_ms, pack=name))
            self.at_ms += 1_000

    def prove(self, alarm: str, subject: str = "", for_ms: int = 60_000) -> ProofFact:
        event = ProofBegin(
            at_ms=self.at_ms, alarm=alarm, subject=subject, by="warden", for_ms=for_ms
        )
        self.play(event)
        return self.proofs[-1]

    def end(self) -> None:
        self.play(ProofEnd(at_ms=self.at_ms, reason="the warden has seen enough"))

    @property
    def proofs(self) -> list[ProofFact]:
        return [fact for fact in self.facts if isinstance(fact, ProofFact)]


def test_a_permit_drops_after_the_rule_s_delay_and_comes_back_after_its_rest() -> None:
    hut = Hut()
    assert hut.prove("high-cell").state == "begun"
    hut.live(5)
    assert hut.moves("charge")[-1] == (5_000, False), "read at 3 s, 2 s of delay"
    assert hut.alarm("high-cell") == "normal", "the live alarm never sees it"
    hut.end()
    hut.live(3)
    assert hut.moves("charge")[-1] == (8_000, True)
    assert hut.state.proof is None


def test_what_it_does_is_told_as_a_proof_and_what_is_real_as_real() -> None:
    hut = Hut()
    hut.prove("high-cell")
    hut.live(5)
    hut.end()
    told = [f for f in hut.facts if isinstance(f, AlarmFact)]
    by_rule = {(f.alarm, f.state): f.proving for f in told}
    assert by_rule["high-cell", "unacknowledged"] is Proving.CAUSE
    assert by_rule["high-cell", "normal"] is Proving.CAUSE
    hut = Hut()
    hut.prove("low-cell")
    hut.live(1, 3_300, 3_300, 3_420, 3_300, pack="left")
    (spread,) = [f for f in hut.facts if isinstance(f, AlarmFact)]
    assert (spread.alarm, spread.proving) == ("spread", Proving.MEANWHILE)
    outputs = [f for f in hut.facts if isinstance(f, OutputFact) and f.at_ms > 3_000]
    assert all(f.proving for f in outputs)


def test_a_real_crossing_ends_it_before_any_delay_has_passed() -> None:
    hut = Hut()
    hut.prove("low-cell")
    hut.live(1)
    hut.live(1, 3_610, 3_300, 3_300, 3_300)
    assert hut.proofs[-1].state == "ended"
    assert "high-cell of left is real" in hut.proofs[-1].text
    assert hut.alarm("high-cell") == "normal", "it is pending still"


def test_a_lost_source_ends_it_at_the_moment_of_the_loss() -> None:
    hut = Hut()
    hut.prove("low-cell", "left")
    hut.live(1)
    heard_ms = hut.at_ms - 1_000
    hut.live(8, pack="left")
    assert hut.proofs[-1].at_ms == heard_ms + HUT.timing.stale_ms
    assert hut.proofs[-1].text == "yielding: right is lost"


def test_a_real_alarm_without_an_output_of_less_priority_does_not_disturb_it() -> None:
    hut = Hut()
    hut.prove("low-cell")
    hut.live(8, 3_300, 3_300, 3_420, 3_300)
    assert hut.alarm("spread") == "unacknowledged"
    assert hut.state.proof is not None
    assert hut.state.proof.alarm is not None


@pytest.mark.parametrize(("for_ms", "at_ms"), [(4_000, 7_000), (9_000, 12_000)])
def test_it_ends_by_itself_at_its_time(for_ms: int, at_ms: int) -> None:
    hut = Hut()
    hut.prove("high-cell", for_ms=for_ms)
    assert hut.outcomes[-1].wake_at_ms is not None
    hut.live(20)
    assert (hut.proofs[-1].state, hut.proofs[-1].at_ms) == ("ended", at_ms)


def test_a_virtual_loss_holds_the_loads_for_their_time_and_drops_charge_first() -> None:
    hut = Hut()
    hut.prove("source-lost", "left")
    hut.live(14)
    assert hut.moves("charge")[-1] == (7_000, False), "3 s and the stale time"
    assert hut.moves("drying")[-1] == (13_000, False), "and the hold time"


def test_loads_come_back_without_charge_because_none_was_drawn() -> None:
    hut = Hut()
    hut.prove("low-cell")
    hut.live(8)
    assert not hut.level("drying")
    hut.end()
    hut.live(12)
    assert hut.level("drying")
    assert hut.level("lights")


def test_a_real_shed_in_between_waits_for_charge_all_the_same() -> None:
    hut = Hut()
    hut.prove("low-cell")
    hut.live(8)
    hut.live(8, 3_300, 2_900, 3_300, 3_300)
    hut.live(30)
    assert not hut.level("lights")
    assert "waiting-for-charge" in hut.because("lights")


def test_the_generator_runs_and_rests_its_minimum_times_after_a_proof() -> None:
    hut = Hut()
    hut.prove("low-cell")
    hut.live(7)
    began_ms = hut.moves("set")[-1][0]
    hut.end()
    hut.live(40)
    assert hut.moves("set")[-1] == (began_ms + 20_000, False)
    assert hut.state.proof is None


def test_sound_of_a_test_takes_nothing_from_a_real_alarm() -> None:
    hut = Hut()
    hut.prove("low-cell", for_ms=300_000)
    hut.live(120)
    assert "horn-hourly-limit" in hut.because("horn")
    hut.live(10, 3_300, 2_900, 3_300, 3_300)
    assert "horn-hourly-limit" not in hut.because("horn")
    assert any(
        d.energised
        for outcome in hut.outcomes[-20:]
        for d in outcome.demands
        if d.output == "horn"
    )


@pytest.mark.parametrize(
    ("alarm", "subject", "for_ms", "why"),
    [
        ("no-such", "", 60_000, "there is no alarm 'no-such'"),
        ("low-cell", "middle", 60_000, "low-cell has no subject 'middle'"),
        ("low-cell", "", 999, "a step lasts 1 to 3600 s"),
        ("low-cell", "", 1_000, ""),
        ("low-cell", "", LONGEST_MS, ""),
        ("low-cell", "", LONGEST_MS + 1, "a step lasts 1 to 3600 s"),
    ],
)
def test_what_cannot_be_proved_is_refused(
    alarm: str, subject: str, for_ms: int, why: str
) -> None:
    fact = Hut().prove(alarm, subject, for_ms)
    assert (fact.state, fact.text if why else "") == (
        "refused" if why else "begun",
        why,
    )


def test_it_is_refused_while_anything_is_not_as_it_should_be() -> None:
    hut = Hut()
    hut.live(1, 3_610, 3_300, 3_300, 3_300, pack="left")
    assert "past the limit" in hut.prove("high-cell", "right").text
    hut = Hut()
    hut.live(8, 3_300, 2_900, 3_300, 3_300, pack="left")
    assert "low-cell is unacknowledged for real" in hut.prove("low-cell", "left").text
    assert "a real alarm is there: low-cell of left/2" in hut.prove("high-cell").text
    hut = Hut()
    hut.live(6, pack="left")
    assert "not every pack is read" in hut.prove("high-cell").text
    hut = Hut()
    hut.play(command(hut.at_ms, Verb.REMOVE, "high-cell"))
    assert "shelved or out of service" in hut.prove("high-cell").text
    hut = Hut()
    hut.prove("low-cell")
    assert hut.prove("high-cell").text == "another proof test is going on"


def test_a_real_alarm_of_low_priority_does_not_keep_from_proving_another_output() -> (
    None
):
    hut = Hut()
    for _ in range(4):
        for name in ("left", "right"):
            hut.play(reading(hut.at_ms, pack=name, temps_dc=(20,)))
        hut.at_ms += 1_000
    assert hut.alarm("coldest") == "unacknowledged"
    assert hut.prove("low-cell").state == "begun"


def test_a_part_of_the_daemon_is_proved_without_a_reading() -> None:
    hut = Hut()
    hut.prove("trouble", "journal")
    hut.play(Tick(at_ms=hut.at_ms))
    assert "trouble" in hut.because("horn")
    hut.play(Trouble(at_ms=hut.at_ms, part="journal", reason="disk full"))
    assert hut.proofs[-1].text == "yielding: trouble of journal is real"


@pytest.mark.parametrize(
    ("live", "rising", "falling"),
    [(3_599, 3_600, 3_000), (3_600, 3_600, 3_000), (3_601, 3_601, 3_000)],
)
def test_the_more_severe_of_live_and_virtual_counts(
    live: int, rising: int, falling: int
) -> None:
    assert worse(rule(), live, 3_600) == rising
    assert worse(low_rule(), live, 3_000) == falling
    assert worse(low_rule(), 2_999, 3_000) == 2_999
    assert worse(rule(), None, 3_600) == 3_600


def test_a_restart_begins_without_it() -> None:
    hut = Hut()
    hut.prove("high-cell")
    assert Player(HUT).state.proof is None
    assert replace(hut.state, proof=None) != hut.state


def test_a_step_begun_while_loads_wait_for_charge_is_decided_in_one_go() -> None:
    low = low_rule(actions=(stage(1),), needs_charge_back=True)
    wired = [
        output("charge", Role.CHARGE_PERMIT),
        output("lights", Role.LOAD_PERMIT, stage=1, min_off_ms=0),
    ]
    player = Player(site(rule(actions=(CHARGE,)), low, outputs=wired))
    player.play(reading(0), reading(1_000, 3_300, 2_900, 3_300, 3_300))
    player.play(reading(2_000), reading(3_000))
    assert player.because("lights") == ("waiting-for-charge",)
    player.play(ProofBegin(at_ms=4_000, alarm="high-cell", by="Ada", for_ms=9_000))
    begun = player.state
    assert begun.proof is not None
    player.tick(4_000)
    assert player.state == begun
    assert player.because("lights") == ("waiting-for-charge",)


def test_what_a_test_moved_later_waits_from_the_moment_the_test_is_over() -> None:
    low = low_rule(actions=(stage(1),), needs_charge_back=True)
    wired = [
        output("charge", Role.CHARGE_PERMIT, min_off_ms=4_500),
        output("lights", Role.LOAD_PERMIT, stage=1, min_off_ms=5_000),
    ]
    player = Player(site(rule(actions=(CHARGE,)), low, outputs=wired))
    player.play(reading(0), reading(1_000, 3_300, 2_900, 3_300, 3_300))
    for at_ms in range(2_000, 8_000, 1_000):
        player.play(reading(at_ms))
    player.play(ProofBegin(at_ms=7_000, alarm="high-cell", by="Ada", for_ms=9_000))
    player.play(reading(7_000), reading(8_000))
    player.play(reading(9_000, 3_300, 2_900, 3_300, 3_300), reading(10_000))
    player.play(reading(11_000))
    assert player.state.proof is not None
    player.tick(12_000)
    over = player.state
    assert over.proof is None
    told = [f for f in player.facts if isinstance(f, OutputFact)][-1]
    assert (told.output, told.at_ms) == ("lights", 11_500), "not when somebody looked"
    assert told.because == ("minimum-off-time", "waiting-for-charge")
    assert over.outputs[1].due_ms == 14_000, "5 s after the test dropped it"
