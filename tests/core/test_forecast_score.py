"""The scorer, on hand-made warnings and cut-offs. Leads of 15 min throughout."""

from __future__ import annotations

from math import inf
from typing import Any

import pytest
from tests.forecast.score import Heard, Judged, Result, Said, judged, kind_lines, lines

CUT_S = 36_000.0


def _entry(
    *cutoffs_s: float, weak_s: float | None = None, kind: str = "low_cell", **more: Any
) -> dict[str, Any]:
    events = [{"kind": kind, "t_s": at_s} for at_s in cutoffs_s]
    for event in events:
        if weak_s is not None:
            event["vulnerable_since_s"] = weak_s
    values: dict[str, Any] = {
        "id": "one",
        "kind": "constant",
        "duration_s": 40_000.0,
        "prior_cutoffs": events[:-1],
        "cutoff": events[-1] if events else None,
        "risk": [],
    }
    return values | more


def _heard(*raised: tuple[float, float], kind: str = "low_cell") -> Heard:
    return Heard(intervals={kind: list(raised)})


def _announced(ahead_s: float, *, until_s: float = inf) -> Judged:
    result = judged(_entry(CUT_S), _heard((CUT_S - ahead_s, until_s)))
    (cutoff,) = result.cutoffs
    return cutoff


def _false(entry: dict[str, Any], heard: Heard, kind: str = "low_cell") -> int:
    return len(judged(entry, heard).false_s[kind])


WORDS = (
    (119, "missed"),
    (120, "late"),
    (121, "late"),
    (599, "late"),
    (600, "in window"),
    (601, "in window"),
    (1499, "in window"),
    (1500, "in window"),
    (1501, "early"),
    (2699, "early"),
    (2700, "early"),
    (2701, "false early"),
)
"""Under 2 min, from 2, from 10, over 25, over 45 min ahead: below, at, above."""


@pytest.mark.parametrize(("ahead_s", "word"), WORDS)
def test_a_cut_off_is_judged_by_how_long_ahead_it_was_announced(
    ahead_s: float, word: str
) -> None:
    cutoff = _announced(ahead_s)
    assert cutoff.word == word
    assert cutoff.lead_min == pytest.approx(ahead_s / 60)


def test_a_cut_off_that_nobody_announced_was_missed() -> None:
    (cutoff,) = judged(_entry(CUT_S), Heard()).cutoffs
    assert cutoff.word == "missed"
    assert cutoff.lead_min is None


def test_a_warning_after_the_cut_off_is_none() -> None:
    result = judged(_entry(CUT_S), _heard((CUT_S + 1, inf)))
    assert [c.word for c in result.cutoffs] == ["missed"]


@pytest.mark.parametrize(
    ("gap_s", "word"), [(119, "in window"), (120, "missed"), (121, "missed")]
)
def test_a_short_gap_before_the_cut_off_is_forgiven(gap_s: float, word: str) -> None:
    assert _announced(900, until_s=CUT_S - gap_s).word == word


def test_the_first_warning_that_holds_the_cut_off_counts() -> None:
    heard = _heard((CUT_S - 900, CUT_S - 60), (CUT_S - 30, inf))
    (cutoff,) = judged(_entry(CUT_S), heard).cutoffs
    assert cutoff.lead_min == pytest.approx(15)


def test_each_of_two_cut_offs_has_its_own_warning() -> None:
    heard = _heard((CUT_S - 900, CUT_S + 60), (CUT_S + 2_000, inf))
    result = judged(_entry(CUT_S, CUT_S + 3_000), heard)
    assert [c.word for c in result.cutoffs] == ["in window", "in window"]
    assert result.false_s["low_cell"] == []


def test_a_warning_that_never_cleared_does_not_announce_the_next_cut_off() -> None:
    result = judged(_entry(CUT_S, CUT_S + 3_000), _heard((CUT_S - 900, inf)))
    assert [c.word for c in result.cutoffs] == ["in window", "missed"]


def test_a_warning_of_another_kind_announces_nothing() -> None:
    result = judged(_entry(CUT_S), _heard((CUT_S - 900, inf), kind="cold"))
    assert [c.word for c in result.cutoffs] == ["missed"]


@pytest.mark.parametrize("kind", ["low_cell", "high_cell", "cold"])
def test_a_warning_with_no_cut_off_is_false(kind: str) -> None:
    assert _false(_entry(), _heard((1_000.0, 1_500.0), kind=kind), kind) == 1


@pytest.mark.parametrize(("ahead_s", "false"), [(2_699, 0), (2_700, 0), (2_701, 1)])
def test_a_warning_that_cleared_is_false_if_no_cut_off_came_within_45_minutes(
    ahead_s: float, false: int
) -> None:
    heard = _heard((CUT_S - ahead_s, CUT_S - ahead_s + 300))
    assert _false(_entry(CUT_S), heard) == false


def test_a_warning_that_held_on_but_came_far_too_early_is_false() -> None:
    assert _false(_entry(CUT_S), _heard((CUT_S - 3_000, inf))) == 1


@pytest.mark.parametrize(("would_s", "false"), [(1_799, 0), (1_800, 0), (1_801, 1)])
def test_a_warning_is_justified_if_the_cut_off_was_less_than_two_leads_away(
    would_s: float, false: int
) -> None:
    entry = _entry(would_cut_s=5_000 + would_s, rescue_s=5_100)
    assert _false(entry, _heard((5_000.0, 5_400.0))) == false


@pytest.mark.parametrize(("rescue_s", "false"), [(4_999, 1), (5_000, 0), (5_001, 0)])
def test_a_warning_after_the_rescue_is_not_justified(
    rescue_s: float, false: int
) -> None:
    entry = _entry(would_cut_s=6_000, rescue_s=rescue_s)
    assert _false(entry, _heard((5_000.0, 5_400.0))) == false


def test_only_a_low_warning_is_justified_by_a_load_taken_away() -> None:
    entry = _entry(would_cut_s=6_000, rescue_s=5_100)
    assert _false(entry, _heard((5_000.0, 5_400.0), kind="cold"), "cold") == 1


BURSTS = (
    (CUT_S - 4_901, "early"),
    (CUT_S - 4_900, "in window"),
    (CUT_S - 4_899, "in window"),
    (CUT_S - 121, "in window"),
    (CUT_S - 120, "in window"),
    (CUT_S - 119, "missed"),
)
"""The bank was too weak for the burst 4000 s before; a lead earlier is soon enough."""


@pytest.mark.parametrize(("raised_s", "word"), BURSTS)
def test_before_a_burst_any_warning_from_a_lead_before_the_weakness_is_in_window(
    raised_s: float, word: str
) -> None:
    result = judged(_entry(CUT_S, weak_s=CUT_S - 4_000), _heard((raised_s, inf)))
    (cutoff,) = result.cutoffs
    assert cutoff.is_burst
    assert cutoff.word == word


@pytest.mark.parametrize(
    ("early_s", "word"),
    [(2_699, "early"), (2_700, "early"), (2_701, "false early")],
)
def test_before_a_burst_a_warning_is_early_by_the_time_before_the_weakness(
    early_s: float, word: str
) -> None:
    weak_s = CUT_S - 4_000
    heard = _heard((weak_s - early_s, inf))
    (cutoff,) = judged(_entry(CUT_S, weak_s=weak_s), heard).cutoffs
    assert cutoff.word == word


@pytest.mark.parametrize(
    ("ahead_s", "word"), [(119, "missed"), (120, "in window"), (4_900, "in window")]
)
def test_a_warning_of_surges_announces_a_burst(ahead_s: float, word: str) -> None:
    entry = _entry(CUT_S, weak_s=CUT_S - 4_000)
    heard = _heard((CUT_S - ahead_s, inf), kind="surge")
    assert [c.word for c in judged(entry, heard).cutoffs] == [word]


def test_a_warning_of_surges_announces_nothing_but_a_burst() -> None:
    heard = _heard((CUT_S - 900, inf), kind="surge")
    assert [c.word for c in judged(_entry(CUT_S), heard).cutoffs] == ["missed"]


@pytest.mark.parametrize(("length_s", "counted"), [(599, 0), (600, 1), (601, 1)])
def test_an_interval_of_risk_counts_from_ten_minutes_on(
    length_s: float, counted: int
) -> None:
    risk = [[5_000.0, 5_000.0 + length_s]]
    result = judged(_entry(risk=risk), _heard((5_100.0, 5_200.0), kind="surge"))
    assert (result.risks, result.risks_seen) == (counted, counted)


@pytest.mark.parametrize(
    ("raised_s", "false"), [(4_099, 1), (4_100, 0), (4_101, 0), (7_000, 0), (7_001, 1)]
)
def test_a_warning_of_surges_is_false_away_from_every_risk(
    raised_s: float, false: int
) -> None:
    entry = _entry(risk=[[5_000.0, 7_000.0]])
    heard = _heard((float(raised_s), raised_s + 60.0), kind="surge")
    assert judged(entry, heard).false_risks == false


def _said(at_s: float, likely_s: float | None, pack: str = "left") -> Said:
    early_s = None if likely_s is None else likely_s - 300
    late_s = None if likely_s is None else likely_s + 300
    return Said(at_s=at_s, pack=pack, early_s=early_s, likely_s=likely_s, late_s=late_s)


def _rows(*rows: Said) -> Judged:
    heard = Heard(rows={"low_cell": list(rows)})
    (cutoff,) = judged(_entry(CUT_S), heard).cutoffs
    return cutoff


def test_the_error_is_taken_from_the_newest_row_before_the_time_asked() -> None:
    cutoff = _rows(_said(CUT_S - 930, 990.0), _said(CUT_S - 899, 5_000.0))
    assert cutoff.errors_min[15] == pytest.approx(1.0)
    assert cutoff.in_band[15]


def test_of_several_packs_the_soonest_counts() -> None:
    cutoff = _rows(
        _said(CUT_S - 900, 4_000.0, "right"), _said(CUT_S - 900, 840.0, "left")
    )
    assert cutoff.errors_min[15] == pytest.approx(-1.0)


@pytest.mark.parametrize(("likely_s", "inside"), [(599, 0), (600, 1), (1_200, 1)])
def test_the_band_holds_its_own_ends(likely_s: float, inside: int) -> None:
    assert _rows(_said(CUT_S - 900, likely_s)).in_band[15] == bool(inside)


def test_where_nothing_was_foreseen_there_is_no_error() -> None:
    cutoff = _rows(_said(CUT_S - 900, None))
    assert cutoff.errors_min[15] is None
    assert 15 not in cutoff.in_band


@pytest.mark.parametrize(("age_s", "is_known"), [(299, 1), (300, 0), (301, 0)])
def test_a_row_older_than_five_minutes_is_none(age_s: float, is_known: int) -> None:
    cutoff = _rows(_said(CUT_S - 900 - age_s, 900.0))
    assert (cutoff.errors_min[15] is not None) == bool(is_known)


def test_the_table_counts_words_leads_and_false_warnings() -> None:
    seen = judged(_entry(CUT_S), _heard((1_000.0, 1_300.0), (CUT_S - 900, inf)))
    missed = judged(_entry(CUT_S), Heard())
    text = "\n".join(lines([seen, missed]))
    assert "low_cell: 2 cut-offs, 1 false pre-warnings (32.4 per 30 days)" in text
    assert "in window 1/2 (50 %)" in text
    assert "missed 1/2 (50 %)" in text
    assert "least / median / most: 15.0 / 15.0 / 15.0 min" in text


def test_a_line_of_a_kind_names_what_was_not_in_window() -> None:
    late = judged(_entry(CUT_S), _heard((CUT_S - 300, inf)))
    (line,) = kind_lines([late])
    assert line.startswith("constant")
    assert "low_cell late 5.0" in line


def test_an_empty_set_has_a_table_too() -> None:
    nothing = Result(name="one", kind="idle", hours=0.0)
    assert "low_cell: 0 cut-offs" in "\n".join(lines([nothing]))
