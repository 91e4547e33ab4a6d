from core_builders import CHARGE, Player, output, reading, rule, site
from tocsin.core.audit import faults
from tocsin.core.rules import Role


def test_a_full_cell_drops_the_charge_permit_and_comes_back() -> None:
    of = site(
        rule(actions=(CHARGE,), on_delay_ms=2_000),
        outputs=[output("charge", Role.CHARGE_PERMIT), output("horn", Role.HORN)],
    )
    player = Player(of)
    player.play(reading(0))
    assert player.level("charge")
    player.play(reading(1_000, 3_300, 3_601, 3_300, 3_300))
    assert player.level("charge")
    player.play(reading(3_000, 3_300, 3_601, 3_300, 3_300))
    assert not player.level("charge")
    assert player.because("charge") == ("high-cell",)
    assert player.level("horn")
    player.play(reading(4_000))
    assert player.level("charge")
    assert player.alarm("high-cell") == "returned unacknowledged"
    assert not any(faults(outcome, of) for outcome in player.outcomes)
