"""Every preset is a whole alarm table, in order, ahead of its protector."""

from __future__ import annotations

from collections import Counter
from typing import TYPE_CHECKING

import pytest

from site_files import SMALL, loaded
from tocsin.core.measures import allowed_charge_ma
from tocsin.core.published import OCV_PCT_V
from tocsin.core.rules import Action, Measure, Priority, Role, Rule, Unit
from tocsin_config.models import PRESETS
from tocsin_config.presets import preset

if TYPE_CHECKING:
    from pathlib import Path

NAMES = {
    *("low-cell-early", "low-cell", "shed-stage-1", "shed-stage-2", "shed-stage-3"),
    *("high-cell", "high-cell-urgent", "rising-cell", "cold-charge", "hot-charge"),
    *("cold-discharge", "hot-discharge", "charge-current", "discharge-current"),
    *("cold-charge-current", "cell-spread-top", "cell-spread-low", "sum-of-cells"),
    *("source-disagreement", "counter-disagreement", "extra-source-lost"),
    *("source-lost", "frozen-values", "beat-lost", "not-measured"),
    *("protector-refuses-charge", "protector-refuses-load", "protector-warning"),
    *("string-share", "long-since-full", "proof-due", "daemon-trouble"),
    *("generator-no-start", "output-stuck-closed", "output-stuck-open"),
    *("relay-worn", "maintenance-forgotten"),
    *("certificate-ends", "certificate-ends-soon", "certificate-ends-now"),
}
FORETOLD = {
    *("low-cell-forecast", "surge-risk", "generator-forecast", "high-cell-forecast"),
    *("shed-stage-1-forecast", "shed-stage-2-forecast", "cold-forecast"),
    *("hot-forecast", "hot-load-forecast"),
}
"""Only where an open-circuit curve is published can minutes be told."""
CHARGE = Action(role=Role.CHARGE_PERMIT)
LOADS = Action(role=Role.LOAD_PERMIT)


def rules(folder: Path, chemistry: str = "lfp", more: str = "") -> dict[str, Rule]:
    text = SMALL.replace("[bank]", f'{more}\n[bank]\nchemistry = "{chemistry}"')
    return {rule.name: rule for rule in loaded(folder, text).site.rules}


@pytest.mark.parametrize("chemistry", PRESETS)
def test_a_preset_has_every_rule_with_every_field(
    chemistry: str, tmp_path: Path
) -> None:
    of = preset(chemistry)
    foretold = FORETOLD if of.cell.curve else set()
    assert {table.name for table in of.rule} == NAMES | foretold
    assert preset(chemistry).name == chemistry
    for table in preset(chemistry).rule:
        assert table.priority is not None
    for rule in rules(tmp_path, chemistry).values():
        assert rule.cause
        assert rule.consequence
        assert rule.action
        assert rule.basis
        assert rule.respond_min > 0


@pytest.mark.parametrize("chemistry", PRESETS)
def test_fewer_rules_stand_at_each_higher_priority(
    chemistry: str, tmp_path: Path
) -> None:
    """ANSI/ISA-18.2 guidance on configured alarms: fewer at each higher level."""
    count = Counter(rule.priority for rule in rules(tmp_path, chemistry).values())
    assert count[Priority.LOW] > count[Priority.MEDIUM] > count[Priority.HIGH] > 0


@pytest.mark.parametrize("chemistry", PRESETS)
def test_limits_come_in_the_order_in_which_they_act(
    chemistry: str, tmp_path: Path
) -> None:
    by_name, usual = rules(tmp_path, chemistry), preset(chemistry).protector
    low_mv = Unit.MV.inside(usual.low_cell_v)
    high_mv = Unit.MV.inside(usual.high_cell_v)
    stages = [by_name[f"shed-stage-{n}"].trip_at for n in (1, 2, 3)]
    assert stages[0] >= stages[1] >= stages[2] > low_mv
    early, late = by_name["low-cell-early"].trip_at, by_name["low-cell"].trip_at
    assert early > late > low_mv
    assert by_name["high-cell"].trip_at < by_name["high-cell-urgent"].trip_at < high_mv
    assert by_name["cold-charge"].trip_at >= Unit.DC.inside(usual.cold_charge_c)
    cold, hot = by_name["cold-discharge"].trip_at, by_name["hot-discharge"].trip_at
    assert cold < by_name["cold-charge"].trip_at < by_name["hot-charge"].trip_at <= hot


@pytest.mark.parametrize("chemistry", PRESETS)
@pytest.mark.parametrize("raise_mv", [0, 50, 200])
def test_order_and_headroom_survive_another_protector(
    chemistry: str, raise_mv: int, tmp_path: Path
) -> None:
    usual = preset(chemistry).protector
    low_v = usual.low_cell_v + raise_mv / 1_000
    high_v = usual.high_cell_v - raise_mv / 2_000
    more = f"[protection]\nlow_cell_v = {low_v}\nhigh_cell_v = {high_v}\n"
    by_name = rules(tmp_path, chemistry, more)
    low_mv, high_mv = Unit.MV.inside(low_v), Unit.MV.inside(high_v)
    for name, margin_mv in (
        ("low-cell-early", 300),
        ("low-cell", 200),
        ("shed-stage-1", 300),
        ("shed-stage-2", 200),
        ("shed-stage-3", 100),
    ):
        assert by_name[name].trip_at >= low_mv + margin_mv
        assert by_name[name].clear_at > by_name[name].trip_at
    for name, margin_mv in (("high-cell", 50), ("high-cell-urgent", 30)):
        assert by_name[name].trip_at <= high_mv - margin_mv
        assert by_name[name].clear_at < by_name[name].trip_at
    assert by_name["high-cell"].trip_at < by_name["high-cell-urgent"].trip_at


def test_a_higher_protector_moves_trip_and_clear_alike(tmp_path: Path) -> None:
    by_name = rules(tmp_path, more="[protection]\nlow_cell_v = 2.95\n")
    assert [
        (by_name[f"shed-stage-{n}"].trip_at, by_name[f"shed-stage-{n}"].clear_at)
        for n in (1, 2, 3)
    ] == [(3_250, 3_400), (3_150, 3_400), (3_050, 3_400)]


def test_a_warmer_protector_moves_the_cold_limit(tmp_path: Path) -> None:
    rule = rules(tmp_path, more="[protection]\ncold_charge_c = 7.5\n")["cold-charge"]
    assert (rule.trip_at, rule.clear_at) == (75, 85)
    rule = rules(tmp_path, more="[protection]\ncold_charge_c = 0.0\n")["cold-charge"]
    assert (rule.trip_at, rule.clear_at) == (50, 60)


@pytest.mark.parametrize("chemistry", PRESETS)
def test_the_allowed_charge_grows_from_the_cold_and_ends_at_the_hot(
    chemistry: str,
) -> None:
    pairs = preset(chemistry).chemistry.charge_map
    temps = [from_dc for from_dc, _ in pairs]
    assert temps == sorted(set(temps))
    rates = [permille for _, permille in pairs]
    top = rates.index(max(rates))
    assert rates[: top + 1] == sorted(rates[: top + 1])
    assert rates[-1] == 0


def test_lfp_at_ten_degrees_charges_at_no_more_than_was_tested() -> None:
    """0.16C at 10 degC for large LFP cells: doi 10.1016/j.est.2023.109042."""
    allowed = [
        rate for from_dc, rate in preset("lfp").chemistry.charge_map if from_dc <= 100
    ]
    assert allowed[-1] <= 160


@pytest.mark.parametrize("chemistry", PRESETS)
def test_lost_or_false_data_drops_both_permits(chemistry: str, tmp_path: Path) -> None:
    lost = {
        rule.name for rule in rules(tmp_path, chemistry).values() if rule.is_data_loss
    }
    assert lost == {
        *("sum-of-cells", "source-lost", "frozen-values", "beat-lost", "not-measured"),
        "source-disagreement",
    }
    for name in lost:
        assert set(rules(tmp_path, chemistry)[name].actions) == {CHARGE, LOADS}


@pytest.mark.parametrize("chemistry", PRESETS)
def test_what_a_rule_acts_on_is_the_same_in_every_chemistry(
    chemistry: str, tmp_path: Path
) -> None:
    lfp = rules(tmp_path)
    for name, rule in rules(tmp_path, chemistry).items():
        assert rule.actions == lfp[name].actions
        assert rule.priority is lfp[name].priority
        assert set(rule.suppressed_by) - FORETOLD == (
            set(lfp[name].suppressed_by) - FORETOLD
        )


# Each effective LFP limit of a bank of 280 Ah packs of 16 cells: trip, clear, how long.
# Limits: 3.10 and 3.00 V leave 21 and 12 min at 0.2C, calculated from Naumann et al.,
# doi 10.1016/j.est.2018.01.019; cells are made for 3.60 to 3.65 V (same source, and
# the BPX example sets); 15 and 30 mV a cell, delays and temperatures: common practice,
# no source. A datum of 1 is one step of the core's integer.
LFP = [
    ("low-cell-forecast", 990_000, 1_800_000, 30_000),
    ("surge-risk", 500, 350, 30_000),
    ("generator-forecast", 900_000, 2_700_000, 60_000),
    ("shed-stage-1-forecast", 603_000, 2_700_000, 30_000),
    ("shed-stage-2-forecast", 297_000, 2_700_000, 30_000),
    ("high-cell-forecast", 900_000, 1_800_000, 30_000),
    ("cold-forecast", 1_035_000, 1_980_000, 150_000),
    ("hot-forecast", 990_000, 1_980_000, 60_000),
    ("hot-load-forecast", 990_000, 1_980_000, 60_000),
    ("low-cell-early", 3_100, 3_200, 60_000),
    ("low-cell", 3_000, 3_150, 10_000),
    ("shed-stage-1", 3_100, 3_250, 60_000),
    ("shed-stage-2", 3_000, 3_250, 20_000),
    ("shed-stage-3", 2_900, 3_250, 5_000),
    ("high-cell", 3_600, 3_450, 2_000),
    ("high-cell-urgent", 3_680, 3_500, 2_000),
    ("rising-cell", 3_600, 3_450, 3_000),
    ("cold-charge", 50, 60, 5_000),
    ("hot-charge", 450, 420, 10_000),
    ("cold-discharge", -200, -180, 30_000),
    ("hot-discharge", 500, 450, 10_000),
    ("charge-current", 280_000, 252_000, 10_000),
    ("discharge-current", 280_000, 252_000, 10_000),
    ("cold-charge-current", 5_600, 0, 60_000),
    ("cell-spread-top", 100, 60, 120_000),
    ("cell-spread-low", 200, 120, 120_000),
    ("sum-of-cells", 480, 240, 10_000),
    ("source-lost", 10_000, 5_000, 0),
    ("source-disagreement", 1_000, 700, 30_000),
    ("counter-disagreement", 1_000, 700, 600_000),
    ("extra-source-lost", 10_000, 5_000, 0),
    ("frozen-values", 1_800_000, 60_000, 0),
    ("beat-lost", 10_000, 2_000, 0),
    ("not-measured", 1, 0, 10_000),
    ("protector-refuses-charge", 1, 0, 0),
    ("protector-refuses-load", 1, 0, 0),
    ("protector-warning", 1, 0, 10_000),
    ("string-share", 300, 200, 300_000),
    ("long-since-full", 14 * 86_400_000, 86_400_000, 0),
    ("proof-due", 0, -86_400_000, 0),
    ("daemon-trouble", 1, 0, 0),
    ("generator-no-start", 1, 0, 0),
    ("output-stuck-closed", 1, 0, 2_000),
    ("output-stuck-open", 1, 0, 2_000),
    ("relay-worn", 900, 800, 0),
    ("maintenance-forgotten", 1, 0, 0),
    ("certificate-ends", 60 * 86_400_000, 61 * 86_400_000, 0),
    ("certificate-ends-soon", 30 * 86_400_000, 31 * 86_400_000, 0),
    ("certificate-ends-now", 7 * 86_400_000, 8 * 86_400_000, 0),
]


def test_every_lfp_limit_is_looked_at() -> None:
    assert {row[0] for row in LFP} == NAMES | FORETOLD


@pytest.mark.parametrize(("name", "trip", "clear", "delay_ms"), LFP)
def test_each_lfp_limit_below_at_and_above(
    name: str, trip: int, clear: int, delay_ms: int, tmp_path: Path
) -> None:
    rule = rules(tmp_path)[name]
    worse = 1 if trip > clear else -1
    assert [rule.is_beyond(trip + step * worse) for step in (-1, 0, 1)] == [
        False,
        True,
        True,
    ]
    assert [rule.is_cleared(clear + step * worse) for step in (-1, 0, 1)] == [
        True,
        True,
        False,
    ]
    assert rule.on_delay_ms == delay_ms


GATES = [
    ("rising-cell", Measure.HIGHEST_CELL, 3_400, None),
    ("cell-spread-top", Measure.HIGHEST_CELL, 3_400, None),
    ("cell-spread-low", Measure.LOWEST_CELL, None, 3_100),
]


@pytest.mark.parametrize(("name", "measure", "at_least", "at_most"), GATES)
def test_spread_and_rise_count_only_where_they_mean_something(
    name: str,
    measure: Measure,
    at_least: int | None,
    at_most: int | None,
    tmp_path: Path,
) -> None:
    gate = rules(tmp_path)[name].gate
    assert gate is not None
    assert (gate.measure, gate.at_least, gate.at_most) == (measure, at_least, at_most)


# 0.16C at 10 degC: doi 10.1016/j.est.2023.109042; the other steps: common practice,
# no source. Amperes of one 280 Ah pack just below, at and just above each step.
ALLOWED = [
    (0, 0, 14_000),
    (50, 14_000, 28_000),
    (100, 28_000, 44_800),
    (150, 44_800, 84_000),
    (200, 84_000, 140_000),
    (250, 140_000, 280_000),
    (450, 280_000, 140_000),
    (550, 140_000, 0),
]


@pytest.mark.parametrize(("from_dc", "below_ma", "at_ma"), ALLOWED)
def test_each_step_of_the_lfp_charge_map_below_at_and_above(
    from_dc: int, below_ma: int, at_ma: int, tmp_path: Path
) -> None:
    site = loaded(tmp_path).site
    allowed = [allowed_charge_ma(site, from_dc + step) for step in (-1, 0, 1)]
    assert allowed == [below_ma, at_ma, at_ma]


def test_the_lfp_cells_other_numbers_are_in_the_cores_units() -> None:
    """Full at 3.45 V and 0.05C for ten minutes: common practice, no source."""
    cell = preset("lfp").chemistry
    assert (cell.full_cell_mv, cell.full_tail_permille) == (3_450, 50)
    assert cell.full_hold_ms == 600_000
    assert (cell.possible_mv, cell.possible_dc) == ((500, 5_000), (-600, 1_250))


def test_the_curve_of_lfp_is_the_published_one_that_the_simulated_bank_has() -> None:
    """Naumann et al., J. Energy Storage 2018, doi 10.1016/j.est.2018.01.019."""
    assert preset("lfp").cell.curve == OCV_PCT_V
