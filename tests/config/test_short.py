"""Limits that come late on paper: each doubted once, with how late and where."""

from __future__ import annotations

from dataclasses import replace
from math import ceil, floor
from typing import TYPE_CHECKING

import pytest

from site_files import SMALL, line_of, loaded
from tocsin.core.paper import LeadTimes, on_paper
from tocsin_config import Problem, Setup, short_limits

if TYPE_CHECKING:
    from pathlib import Path


def told(setup: Setup) -> dict[str, Problem]:
    """Return the doubts by the limit that they name."""
    problems = short_limits(setup, on_paper(setup.site))
    by_name = {problem.wrong.split()[0]: problem for problem in problems}
    assert len(by_name) == len(problems)
    return by_name


def limit(setup: Setup, name: str) -> LeadTimes:
    paper = on_paper(setup.site)
    assert paper is not None
    (found,) = [limit for limit in paper.limits if limit.rule.name == name]
    return found


def rule(name: str, more: str) -> str:
    return f'{SMALL}[[rule]]\nname = "{name}"\n{more}\n'


LOW = ["low-cell", "low-cell-early", "shed-stage-1", "shed-stage-2", "shed-stage-3"]


def test_every_short_limit_is_named_with_how_little_and_where(tmp_path: Path) -> None:
    setup = loaded(tmp_path)
    found = told(setup)
    assert sorted(found) == LOW
    worst = limit(setup, "low-cell").carried[0]
    minutes = floor(worst.seconds / 6) / 10
    assert found["low-cell"].wrong == (
        f"low-cell gives {minutes} of the 15 min asked for at {worst.case.words}"
    )
    for problem in found.values():
        assert problem.right.startswith("minutes are promised by low-cell-forecast;")
        assert problem.line == line_of(SMALL, "[bank]")


@pytest.mark.parametrize("name", LOW)
def test_a_limit_is_doubted_from_just_below_the_lead_on(
    name: str, tmp_path: Path
) -> None:
    setup = loaded(tmp_path)
    worst_ms = limit(setup, name).carried[0].seconds * 1000
    for lead_ms, is_told in (
        (floor(worst_ms) - 1, False),
        (floor(worst_ms), False),
        (ceil(worst_ms) + 1, True),
    ):
        site = replace(setup.site, lead_ms=lead_ms)
        # The case must still count: a full cell lasts far longer than this limit gives.
        assert (name in told(replace(setup, site=site))) is is_told


def test_a_limit_of_the_site_itself_is_doubted_at_its_own_line(tmp_path: Path) -> None:
    text = rule("low-cell", "trip_v = 2.95")
    problem = told(loaded(tmp_path, text))["low-cell"]
    assert line_of(text, "[[rule]]") == problem.line


def test_a_limit_at_the_cut_off_is_left_to_the_other_doubt(tmp_path: Path) -> None:
    for trip, is_told in (("2.799", False), ("2.800", False), ("2.801", True)):
        text = rule("low-cell", f"above_low_cut_v = 0\ntrip_v = {trip}")
        assert ("low-cell" in told(loaded(tmp_path, text))) is is_told


def test_where_no_rule_promises_the_lead_the_doubt_says_so(tmp_path: Path) -> None:
    text = rule("low-cell-forecast", "enabled = false")
    for problem in told(loaded(tmp_path, text)).values():
        assert problem.right == (
            "a rule on low-cell-time promises minutes, and this site has none"
        )


def test_a_charge_limit_that_leaves_less_than_one_reading_is_doubted(
    tmp_path: Path,
) -> None:
    setup = loaded(tmp_path, rule("high-cell", "on_delay_s = 18"))
    problem = told(setup)["high-cell"]
    assert problem.wrong.startswith("high-cell inhibits charge ")
    assert problem.wrong.endswith("less than the 1 s between two readings")
    worst_ms = limit(loaded(tmp_path), "high-cell").carried[0].seconds * 1000
    quick = loaded(tmp_path)
    for poll_ms, is_told in (
        (floor(worst_ms) - 1, False),
        (floor(worst_ms), False),
        (ceil(worst_ms) + 1, True),
    ):
        changed = replace(quick, poll_ms=poll_ms)
        assert ("high-cell" in told(changed)) is is_told


def test_without_a_curve_no_limit_is_doubted(tmp_path: Path) -> None:
    text = SMALL.replace("[bank]", '[bank]\nchemistry = "lto"')
    assert told(loaded(tmp_path, text)) == {}
