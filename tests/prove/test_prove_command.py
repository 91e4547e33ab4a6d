"""What `tocsin prove` says where no daemon runs."""

from __future__ import annotations

import json
from typing import TYPE_CHECKING

import pytest

from prove_stage import SITE
from tocsin.cli import main
from tocsin.prove.progress import alone

if TYPE_CHECKING:
    from pathlib import Path

PACK = '[[pack]]\nname = "left"\ndriver = "simulated"\n'


@pytest.fixture
def site(tmp_path: Path) -> Path:
    (tmp_path / "journal").mkdir()
    path = tmp_path / "site.toml"
    path.write_text(SITE.format(folder=tmp_path / "journal") + PACK)
    return path


def test_it_says_how_to_start_the_daemon_and_how_to_rehearse(
    site: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert main(["prove", str(site)]) == 1
    told = capsys.readouterr().err
    assert f"tocsin run {site}" in told
    assert "rehearse" in told


@pytest.mark.parametrize(
    ("words", "right"),
    [
        (("--output", "fog-horn"), "there are: charge, horn, lights"),
        (("--rule", "no-such"), "there are: beat-lost"),
        (("--output", "horn", "--rule", "high-cell"), "no such rule drives"),
    ],
)
def test_a_wrong_name_is_answered_with_those_there_are(
    site: Path, words: tuple[str, ...], right: str, capsys: pytest.CaptureFixture[str]
) -> None:
    assert main(["prove", str(site), *words]) == 2
    assert right in capsys.readouterr().err


def test_the_plan_can_be_listed_for_people_and_programs(
    site: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert main(["prove", str(site), "--list", "--output", "horn"]) == 0
    assert "horn by hot-charge" in capsys.readouterr().out
    assert main(["prove", str(site), "--list", "--json", "--output", "horn"]) == 0
    told = json.loads(capsys.readouterr().out)
    assert [(each["item"], each["expected_s"]) for each in told] == [
        ("horn by low-cell", 5.0),
        ("horn by hot-charge", 0.3),
    ]


def test_the_history_may_be_empty(
    site: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert main(["prove", str(site), "--history"]) == 0
    assert "no records yet" in capsys.readouterr().out
    assert main(["prove", str(site), "--history", "--json"]) == 0
    assert json.loads(capsys.readouterr().out) == []


def test_a_second_one_is_refused(
    site: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    with alone(site.parent / "journal"):
        assert main(["prove", str(site)]) == 1
    assert "another `tocsin prove` runs" in capsys.readouterr().err
