"""``[[source]]`` tables: what they may say, what they come to, what is told of them."""

from __future__ import annotations

from typing import TYPE_CHECKING

import pytest

from site_files import SMALL, line_of, loaded, mistakes
from tocsin.core.model import Agreement, Extra, Value
from tocsin.ports import TcpLine
from tocsin_config import doubts
from tocsin_config.models import PRESETS
from tocsin_config.presets import preset

if TYPE_CHECKING:
    from pathlib import Path

MAP = """\
[[source.map.point]]
role = "current"
address = 0x0010
type = "s32"
scale = 0.001
"""
SHUNT = f"""\
[[source]]
name = "shunt"
driver = "modbus-map"
host = "192.0.2.20"
gives = ["current"]
{MAP}"""
TWO = SMALL + '[[pack]]\nname = "right"\ndriver = "trace"\n'


def test_a_shunt_is_of_the_bank_and_its_limits_fit_the_bank(tmp_path: Path) -> None:
    setup = loaded(tmp_path, TWO + SHUNT)
    agree = Agreement(fixed=2 * 5_600, permille=100)
    assert setup.site.extras == (
        Extra(name="shunt", of="bank", gives=((Value.CURRENT, agree),)),
    )
    (spec,) = setup.extras
    assert (spec.name, spec.driver) == ("shunt", "modbus-map")
    assert spec.line == TcpLine(host="192.0.2.20")
    assert spec.gives == {Value.CURRENT}
    assert [source.name for source in setup.sources] == ["left", "right"]


def test_a_site_may_say_how_far_two_sources_may_be_apart(tmp_path: Path) -> None:
    text = (
        SHUNT.replace(
            'gives = ["current"]',
            'of = "left"\ngives = ["current", "voltage", "soc"]\nagree_a = 1.5\n'
            "agree_pct = 2.5\nagree_v = 0.3\nagree_soc_pct = 5",
        )
        + MAP.replace("current", "voltage").replace("0010", "0020")
        + MAP.replace("current", "soc").replace("0010", "0030")
    )
    (extra,) = loaded(tmp_path, TWO + text).site.extras
    assert extra.of == "left"
    assert extra.gives == (
        (Value.CURRENT, Agreement(fixed=1_500, permille=25)),
        (Value.VOLTAGE, Agreement(fixed=300)),
        (Value.SOC, Agreement(fixed=50)),
    )


def test_the_voltage_of_packs_in_series_may_be_further_off(tmp_path: Path) -> None:
    series = TWO.replace('driver = "trace"', 'driver = "trace"\nstring = "A"')
    text = SHUNT.replace("current", "voltage")
    (extra,) = loaded(tmp_path, series + text).site.extras
    assert dict(extra.gives)[Value.VOLTAGE].fixed == 2 * 16 * 30


@pytest.mark.parametrize(
    ("old", "new", "wrong"),
    [
        ('gives = ["current"]', 'gives = ["cells"]', "does not fit"),
        ('gives = ["current"]', 'gives = ["current", "current"]', "one value twice"),
        ('gives = ["current"]', 'gives = ["current"]\nof = "middle"', "no bank, pack"),
        ('gives = ["current"]', 'gives = ["current"]\nagree_v = 1', "has no meaning"),
        ('gives = ["current"]', 'gives = ["current"]\nstring = "A"', "unknown key"),
        ('gives = ["current"]', 'gives = ["current"]\nagree_a = 0', "does not fit"),
        ('name = "shunt"', 'name = "left"', "the name is taken"),
        ('name = "shunt"', 'name = "bank"', "the name is taken"),
        ('driver = "modbus-map"', 'driver = "trace"', "plays whole packs"),
        ('host = "192.0.2.20"', "", "no host or serial"),
        ('role = "current"', 'role = "voltage"', "reads no current"),
    ],
)
def test_a_mistake_in_a_source_is_told_at_its_line(
    old: str, new: str, wrong: str, tmp_path: Path
) -> None:
    text = TWO + SHUNT.replace(old, new)
    told = mistakes(tmp_path, text)
    first = line_of(text, "[[source]]")
    assert any(wrong in problem.wrong and problem.line >= first for problem in told)
    assert all(problem.key.startswith("source") for problem in told)


def test_a_source_must_say_what_it_gives(tmp_path: Path) -> None:
    (told,) = mistakes(tmp_path, TWO + SHUNT.replace('gives = ["current"]\n', ""))
    assert (told.key, told.wrong) == ("source[shunt].gives", "is missing")


def test_a_source_on_the_line_of_a_pack_has_its_settings(tmp_path: Path) -> None:
    packs = TWO.replace(
        'driver = "trace"', 'driver = "sunspec"\nhost = "192.0.2.20"', 1
    )
    text = SHUNT.replace('gives = ["', 'framing = "rtu"\ngives = ["')
    (told,) = mistakes(tmp_path, packs + text)
    assert (told.key, told.line) == (
        "source[shunt]",
        line_of(packs + text, "[[source]]"),
    )


def test_the_map_of_a_source_counts_into_the_site_s_hash(tmp_path: Path) -> None:
    (tmp_path / "shunt.toml").write_text(MAP.replace("source.map.", ""))
    text = TWO + SHUNT.replace(MAP, 'map = "shunt.toml"\n')
    before = loaded(tmp_path, text).sha256
    (tmp_path / "shunt.toml").write_text(MAP.replace("source.map.", "") + "# new\n")
    assert loaded(tmp_path, text).sha256 != before


@pytest.mark.parametrize("chemistry", PRESETS)
def test_every_chemistry_says_what_a_disagreement_and_a_lost_source_mean(
    chemistry: str,
) -> None:
    rules = {rule.name: rule for rule in preset(chemistry).rule}
    for name in ("source-disagreement", "counter-disagreement", "extra-source-lost"):
        rule = rules[name]
        assert rule.cause
        assert rule.consequence
        assert rule.action
        assert rule.respond_min
        assert rule.basis


# --- what is doubtful ----------------------------------------------------------------

MUTE = """\
[[pack]]
name = "right"
driver = "modbus-map"
host = "192.0.2.21"
[[pack.map.point]]
cells = "1..16 at 0x0100"
"""


def said_of(folder: Path, text: str, word: str) -> list[str]:
    return [str(doubt) for doubt in doubts(loaded(folder, text)) if word in str(doubt)]


def test_check_says_which_rules_go_blind_with_the_only_current_sensor(
    tmp_path: Path,
) -> None:
    (told,) = said_of(tmp_path, SMALL + MUTE + SHUNT, "while shunt is lost")
    assert "source[shunt]" in told
    assert "nothing else says the current of right" in told
    assert "low-cell-forecast" in told
    assert "discharge-current" in told


def test_check_says_when_nobody_says_a_current(tmp_path: Path) -> None:
    (told,) = said_of(tmp_path, SMALL + MUTE, "the current of right")
    assert "pack[right]" in told
    assert "low-cell-forecast" in told


def test_a_shunt_beside_packs_that_say_their_current_is_not_doubtful(
    tmp_path: Path,
) -> None:
    assert said_of(tmp_path, TWO + SHUNT, "the current of") == []


def test_a_shunt_beside_one_pack_can_contradict_it(tmp_path: Path) -> None:
    assert said_of(tmp_path, SMALL, "nothing can contradict it")
    assert not said_of(tmp_path, SMALL + SHUNT, "nothing can contradict it")
