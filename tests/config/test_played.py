"""Packs that are played from a recording instead of read."""

from __future__ import annotations

from typing import TYPE_CHECKING

import pytest

from site_files import SMALL, loaded, mistakes
from tocsin.ports import CanLine
from tocsin_config import doubts

if TYPE_CHECKING:
    from pathlib import Path


def test_a_trace_pack_may_be_played_from_a_file(tmp_path: Path) -> None:
    (tmp_path / "night.csv").touch()
    more = '"trace"\nfile = "night.csv"\nspeed = 10.0'
    setup = loaded(tmp_path, SMALL.replace('"trace"', more))
    assert setup.sources[0].options == {"file": tmp_path / "night.csv", "speed": 10.0}
    assert not setup.sources[0].is_only_recorded
    assert loaded(tmp_path).sources[0].is_only_recorded


@pytest.mark.parametrize(
    ("more", "words"),
    [
        ('file = "nowhere.csv"', "there is no file"),
        ("speed = 2.0", "no meaning without file"),
        ('file = "night.csv"\nspeed = 0.001', "0.01 to 1000"),
        ('file = "night.csv"\nspeed = 0.01', ""),
        ('file = "night.csv"\nspeed = 1000.0', ""),
        ('file = "night.csv"\nspeed = 1000.1', "0.01 to 1000"),
    ],
)
def test_a_recording_to_play_must_be_there(
    tmp_path: Path, more: str, words: str
) -> None:
    (tmp_path / "night.csv").touch()
    text = SMALL.replace('"trace"', f'"trace"\n{more}')
    if not words:
        assert loaded(tmp_path, text).sources
        return
    (problem,) = mistakes(tmp_path, text)
    assert words in str(problem)


RVC = (
    '"rv-c"\ninterface = "{}"\nchannel = "{}"\ninstance = 1\ncurrent_sign = '
    '"discharge-positive"'
)


@pytest.mark.parametrize("channel", ["bus.log", "bus.log@can1"])
def test_a_can_log_is_one_more_bus(tmp_path: Path, channel: str) -> None:
    (tmp_path / "bus.log").touch()
    more = RVC.format("log", channel) + "\nspeed = 4.0"
    line = loaded(tmp_path, SMALL.replace('"trace"', more)).sources[0].line
    assert line == CanLine(interface="log", channel=str(tmp_path / channel), speed=4.0)


@pytest.mark.parametrize(
    ("interface", "channel", "more", "words"),
    [
        ("log", "nowhere.log", "", "there is no file"),
        ("log", "nowhere.log@can0", "", "there is no file"),
        ("socketcan", "can0", "speed = 2.0", "no meaning with socketcan"),
        ("log", "bus.log", "bitrate = 250000", "no meaning with log"),
    ],
)
def test_mistakes_about_a_can_log_are_told(
    tmp_path: Path, interface: str, channel: str, more: str, words: str
) -> None:
    (tmp_path / "bus.log").touch()
    text = RVC.format(interface, channel) + f"\n{more}"
    (problem,) = mistakes(tmp_path, SMALL.replace('"trace"', text))
    assert words in str(problem)


@pytest.mark.parametrize(
    "pack", ['"trace"\nfile = "bus.log"', RVC.format("log", "bus.log")]
)
def test_a_pack_that_is_played_is_doubted(tmp_path: Path, pack: str) -> None:
    (tmp_path / "bus.log").touch()
    setup = loaded(tmp_path, SMALL.replace('"trace"', pack))
    said = [str(doubt) for doubt in doubts(setup)]
    assert any("left is played from a recording" in each for each in said)
