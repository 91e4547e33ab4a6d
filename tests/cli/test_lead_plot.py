"""The picture of lead times: sound SVG, true to the numbers, legible without colour."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING
from xml.etree import ElementTree as ET

import pytest

from site_files import loaded
from tocsin.cli.lead_plot import COLOURS, PANEL_H, SHAPES, picture
from tocsin.core.paper import TEMPS_C, Paper, Side, on_paper

if TYPE_CHECKING:
    from pathlib import Path

    from tocsin.core.site import Site

SVG = "{http://www.w3.org/2000/svg}"


def drawn(site: Site) -> tuple[ET.Element, Paper]:
    paper = on_paper(site)
    assert paper is not None
    return ET.fromstring(picture(site, paper)), paper


def words(root: ET.Element) -> list[str]:
    return [each.text or "" for each in root.iter(f"{SVG}text")]


def test_axes_units_and_every_limit_are_named(tmp_path: Path) -> None:
    root, paper = drawn(loaded(tmp_path).site)
    said = words(root)
    for temp_c in TEMPS_C:
        assert f"{temp_c:g} degC" in said
    assert said.count("min") == 5
    assert said.count("s") == 3
    assert said.count("current, multiples of 1C of the nameplate") == 8
    assert "the lead asked for, 15 min" in said
    legend = " ".join(said)
    for limit in paper.limits:
        assert limit.rule.name in legend
    # Two limits of the preset are alike and share a line.
    assert "low-cell-early, shed-stage-1: 3.100 V for 60 s" in said


def test_a_panel_has_a_line_a_limit_and_age(tmp_path: Path) -> None:
    root, _ = drawn(loaded(tmp_path).site)
    lines = list(root.iter(f"{SVG}polyline"))
    assert len(lines) == 5 * 4 * 2 + 3 * 3 * 2
    dashed = [line for line in lines if "stroke-dasharray" in line.attrib]
    assert len(dashed) == len(lines) // 2
    counts = [len(line.attrib["points"].split()) for line in lines]
    # Four limits stop short of the one load that an aged, cold cell does not carry,
    # and the panels of the high side have one current less.
    assert counts.count(5) == 5 * 4 * 2 - 4
    assert counts.count(4) == 3 * 3 * 2 + 4


def test_a_point_stands_where_its_time_is_on_the_scale(tmp_path: Path) -> None:
    """From 0.5 to 200 minutes over the height of a panel, by factors."""
    root, paper = drawn(loaded(tmp_path).site)
    first = next(iter(root.iter(f"{SVG}polyline")))
    heights = [float(point.split(",")[1]) for point in first.attrib["points"].split()]
    leads = [
        lead
        for lead in paper.limits[0].leads
        if lead.case.temp_c == -10.0 and not lead.case.is_aged
    ]
    base, height = heights[0], leads[0].seconds
    for place, lead in zip(heights[1:], leads[1:], strict=True):
        factor = 400 ** ((base - place) / PANEL_H)
        assert lead.seconds / height == pytest.approx(factor, rel=0.01)


def test_a_name_with_signs_of_markup_stays_a_name(tmp_path: Path) -> None:
    site = replace(loaded(tmp_path).site, name='<hut> & "barn"')
    root, _ = drawn(site)
    title = root.find(f"{SVG}title")
    assert title is not None
    assert title.text == '<hut> & "barn": what voltage limits give, on paper'


def test_no_time_leaves_the_panel_even_if_there_is_none(tmp_path: Path) -> None:
    made = loaded(tmp_path).site
    late = [replace(rule, on_delay_ms=10**9) for rule in made.rules]
    root, _ = drawn(replace(made, rules=tuple(late)))
    height = float(root.attrib["height"])
    for line in root.iter(f"{SVG}polyline"):
        for point in line.attrib["points"].split():
            assert 0 < float(point.split(",")[1]) < height


def test_a_site_without_low_limits_has_panels_of_the_high_side_only(
    tmp_path: Path,
) -> None:
    made = loaded(tmp_path).site
    paper = on_paper(made)
    assert paper is not None
    high = tuple(limit for limit in paper.limits if limit.side is Side.HIGH)
    root = ET.fromstring(picture(made, replace(paper, limits=high)))
    assert "min" not in words(root)
    assert words(root).count("s") == 3


def test_limits_differ_by_colour_and_by_shape() -> None:
    assert len(set(COLOURS)) == len(COLOURS)
    assert len(set(SHAPES)) == len(SHAPES)
    # Neither count divides the other, so pairs repeat late.
    assert len(COLOURS) % len(SHAPES) != 0
