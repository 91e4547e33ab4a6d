"""Every kind of mistake: where it is, what is wrong, what would be right."""

from __future__ import annotations

from typing import TYPE_CHECKING

import pytest

from site_files import SMALL, line_of, mistakes, written
from site_slips import SLIPS, SUNSPEC, Slip
from tocsin_config import SiteFileError, load

if TYPE_CHECKING:
    from pathlib import Path

TWO = SMALL + '[[pack]]\nname = "right"\ndriver = "trace"\n'


@pytest.mark.parametrize("slip", SLIPS, ids=lambda s: f"{s.key}-{s.wrong}"[:60])
def test_a_mistake_is_told_with_its_line(slip: Slip, tmp_path: Path) -> None:
    text = SMALL.replace(slip.old, slip.new)
    assert text != SMALL
    found = mistakes(tmp_path, text)
    told = [p for p in found if p.key == slip.key]
    assert told, f"{slip.key} not in {[str(p) for p in found]}"
    problem = told[0]
    assert problem.line == line_of(text, slip.at)
    assert slip.wrong in problem.wrong
    assert slip.right in problem.right
    assert problem.file == tmp_path / "site.toml"


DOUBLES = [
    ('name = "right"', 'name = "left"', 8, "the name is taken, as on line 5"),
    (
        'driver = "trace"',
        f"{SUNSPEC}\nunit = 3",
        13,
        "two packs at one address and unit, as on line 8",
    ),
]


@pytest.mark.parametrize(("old", "new", "line", "wrong"), DOUBLES)
def test_two_packs_that_clash_are_told_at_the_second(
    old: str, new: str, line: int, wrong: str, tmp_path: Path
) -> None:
    (problem,) = mistakes(tmp_path, TWO.replace(old, new))
    assert (problem.line, problem.wrong) == (line, wrong)


def test_two_packs_on_one_line_need_the_same_settings(tmp_path: Path) -> None:
    first = 'driver = "sunspec"\nserial = "/dev/a"\nbaud = 9600\nunit = 1'
    second = first.replace("9600", "19200").replace("unit = 1", "unit = 2")
    text = TWO.replace('driver = "trace"', first, 1)
    text = text.replace('driver = "trace"', second, 1)
    (problem,) = mistakes(tmp_path, text)
    assert problem.key == "pack[right]"
    assert "different settings" in problem.wrong


def test_strings_need_as_many_packs_each(tmp_path: Path) -> None:
    text = TWO.replace('"trace"', '"trace"\nstring = "A"')
    text += '[[pack]]\nname = "lone"\ndriver = "trace"\n'
    (problem,) = mistakes(tmp_path, text)
    assert "strings of unequal length" in problem.wrong


def test_outputs_may_not_share_a_pin_or_a_name(tmp_path: Path) -> None:
    output = '[[output]]\nname = "a"\nrole = "horn"\npin = "GPIO17"\n'
    text = SMALL + output + output
    last = len(text.splitlines())
    found = mistakes(tmp_path, text)
    assert [(p.line, p.wrong.split(",")[0]) for p in found] == [
        (last - 2, "the name is taken"),
        (last, "the pin is taken"),
    ]


def test_two_tables_for_one_rule_are_told(tmp_path: Path) -> None:
    rule = '[[rule]]\nname = "low-cell"\n'
    (problem,) = mistakes(tmp_path, SMALL + rule + rule)
    assert problem.line == len((SMALL + rule + rule).splitlines())


def test_every_mistake_is_told_at_once(tmp_path: Path) -> None:
    text = """\
[site]
nmae = "x"
[bank]
chemistry = "lpf"
capacity_ah = -1
[protection]
low_cell_v = "2.8"
[[pack]]
name = "left"
driver = "sunspc"
[[pack]]
name = "right"
driver = "sunspec"
unit = 300
[[pack]]
name = "third"
driver = "sunspec"
[[output]]
name = "charge"
role = "horn"
stage = 2
[[output]]
name = "charge"
role = "beacon"
rules = ["none"]
[[rule]]
name = "low-cell"
actions = ["x"]
trip_c = 4
[mqtt]
password = "hush"
"""
    found = mistakes(tmp_path, text)
    assert [(p.line, p.key) for p in found] == [
        (2, "site.nmae"),
        (3, "bank.cells_in_series"),
        (4, "bank.chemistry"),
        (5, "bank.capacity_ah"),
        (7, "protection.low_cell_v"),
        (10, "pack[left].driver"),
        (14, "pack[right].unit"),
        (15, "pack[third]"),
        (21, "output[charge].stage"),
        (23, "output[charge].name"),
        (25, "output[charge].rules[1]"),
        (28, "rule[low-cell].actions[1]"),
        (29, "rule[low-cell].trip_c"),
        (31, "mqtt.password"),
    ]


def test_several_slips_of_grammar_are_told_with_the_others(tmp_path: Path) -> None:
    text = SMALL.replace("= 16", "= 16 x").replace('"left"', "left") + "poll = 1\n"
    found = mistakes(tmp_path, text)
    assert [p.line for p in found] == [3, 5, 7]
    assert [p.wrong.split(":")[0] for p in found] == [
        "not TOML",
        "not TOML",
        "unknown key",
    ]


def test_a_broken_header_ends_the_reading(tmp_path: Path) -> None:
    found = mistakes(tmp_path, SMALL.replace("[bank]", "[bank"))
    assert [p.line for p in found] == [1]


def test_a_mistake_in_a_map_stands_in_the_maps_file(tmp_path: Path) -> None:
    written(tmp_path, '[[point]]\nrole = "cell"\nadress = 1\n', "map.toml")
    text = SMALL.replace('"trace"', '"modbus-map"\nhost = "h"\nmap = "map.toml"')
    missing, problem = mistakes(tmp_path, text)
    assert problem.file == missing.file == tmp_path / "map.toml"
    assert (missing.line, missing.key) == (1, "point[1].address")
    assert (problem.line, problem.key) == (3, "point[1].adress")
    assert "'address'?" in problem.right


def test_a_problem_reads_as_one_line(tmp_path: Path) -> None:
    (problem,) = mistakes(tmp_path, SMALL.replace("= 280", "= 0"))
    assert str(problem) == (
        f"{tmp_path}/site.toml:2: bank.capacity_ah: 0 does not fit; "
        "the nameplate of one pack in Ah, above 0, such as 280"
    )


@pytest.mark.parametrize(
    "raw", [b"", b"\x00", b"a = '\xff'", b"\n\n[bank]\nx = '\xe9'"]
)
def test_a_file_of_anything_else_is_refused(raw: bytes, tmp_path: Path) -> None:
    path = tmp_path / "site.toml"
    path.write_bytes(raw)
    with pytest.raises(SiteFileError):
        load(path)


def test_a_byte_that_is_no_text_has_its_line(tmp_path: Path) -> None:
    path = tmp_path / "site.toml"
    path.write_bytes(b"[bank]\n# caf\xe9\n")
    with pytest.raises(SiteFileError) as caught:
        load(path)
    assert caught.value.problems[0].line == 2


def test_a_file_that_is_not_there_is_told(tmp_path: Path) -> None:
    for path in (tmp_path / "none.toml", tmp_path):
        with pytest.raises(SiteFileError, match="cannot be read"):
            load(path)


@pytest.mark.parametrize(
    ("more", "key"),
    [
        ('[mqtt.tls]\nca = "a"\ncertificate = "b"\nkey = "\\u0000"\n', "mqtt.tls.key"),
        ('[mqtt]\npassword_file = "a\\u0000b"\n', "mqtt.password_file"),
        ('[mqtt.announce]\ntemplate = "\\u0000"\n', "mqtt.announce.template"),
        ('[journal]\nfolder = "/var/\\u0000"\n', "journal.folder"),
        ('[page]\nnames = ["hut", "\\u0000"]\n', "page.names[2]"),
        (
            TWO[len(SMALL) :].replace("trace", "dbc") + 'file = "\\u0000"\n',
            "pack[right]",
        ),
    ],
)
def test_a_text_with_a_nul_is_told_and_no_path_is_made_of_it(
    more: str, key: str, tmp_path: Path
) -> None:
    text = SMALL + more
    found = [p for p in mistakes(tmp_path, text) if "NUL" in p.wrong]
    assert [p.line for p in found] == [line_of(text, "\\u0000")]
    assert found[0].key.startswith(key)
