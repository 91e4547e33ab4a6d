"""The commands as people use them: help, exit codes, one clear error."""

from __future__ import annotations

import re
import subprocess
import sys
from typing import TYPE_CHECKING

import pytest

from site_files import SMALL, written
from tocsin.cli import main, parser

if TYPE_CHECKING:
    from pathlib import Path

COMMANDS = (
    "demo", "run", "check", "circuit", "show", "replay", "journal",
    "acknowledge", "silence", "reset", "shelve", "unshelve", "remove", "return",
    "mqtt", "sounder-test", "generator-request", "generator-release",
)  # fmt: skip


@pytest.mark.parametrize("command", COMMANDS)
def test_every_command_has_help_that_teaches(
    command: str, capsys: pytest.CaptureFixture[str]
) -> None:
    with pytest.raises(SystemExit) as ended:
        main([command, "--help"])
    assert ended.value.code == 0
    said = capsys.readouterr().out
    assert f"tocsin {command}" in said
    assert len(said.splitlines()) >= 8


def test_the_help_of_all_names_each_command_and_the_exit_codes() -> None:
    said = parser().format_help()
    for command in COMMANDS:
        assert re.search(rf"^    {command}(\s|$)", said, re.MULTILINE)
    assert "Exit codes: 0 done, 1 failed, 2" in said
    assert "not the protection" in said


@pytest.mark.parametrize(
    "argv",
    [
        [],
        ["sing"],
        ["run"],
        ["replay", "site.toml"],
        ["demo", "--seconds", "-1"],
        ["journal", "site.toml", "--since", "yesterday"],
        ["journal", "site.toml", "--last", "0"],
        ["shelve", "site.toml", "low-cell", "--for", "2h"],
        ["silence", "site.toml", "--for", "soon"],
    ],
)
def test_wrong_arguments_end_with_2(
    argv: list[str], capsys: pytest.CaptureFixture[str]
) -> None:
    with pytest.raises(SystemExit) as ended:
        main(argv)
    assert ended.value.code == 2
    assert "usage: tocsin" in capsys.readouterr().err


@pytest.mark.parametrize("command", ["run", "show", "journal", "acknowledge"])
def test_a_site_file_that_is_wrong_ends_with_2_and_every_mistake(
    command: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    text = SMALL.replace("280", '"many"').replace("cells_in_series", "cells_in_serie")
    path = written(tmp_path, text)
    assert main([command, str(path)]) == 2
    said = capsys.readouterr().err
    assert f"{path}:2: bank.capacity_ah" in said
    assert "cells_in_serie" in said


@pytest.mark.parametrize("command", ["show", "acknowledge"])
def test_asking_a_daemon_that_does_not_run_ends_with_1(
    command: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    path = written(tmp_path, f'{SMALL}[journal]\nfolder = "{tmp_path}"\n')
    assert main([command, str(path)]) == 1
    assert "no daemon answers" in capsys.readouterr().err


def test_a_site_without_a_journal_yet_ends_with_1(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    path = written(tmp_path, f'{SMALL}[journal]\nfolder = "{tmp_path}"\n')
    assert main(["journal", str(path)]) == 1
    assert "no journal" in capsys.readouterr().err


def test_a_driver_that_only_recordings_have_cannot_be_run(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    path = written(tmp_path, f'{SMALL}[journal]\nfolder = "{tmp_path}"\n')
    assert main(["run", str(path)]) == 1
    said = capsys.readouterr().err
    assert "pack left exists in recordings only" in said
    assert "tocsin replay" in said, "it says what can be done"


def test_a_reader_that_has_gone_is_no_error() -> None:
    command = f"{sys.executable} -m tocsin --help | head -1; exit ${{PIPESTATUS[0]}}"
    done = subprocess.run(
        ["/bin/bash", "-c", command], capture_output=True, text=True, check=False
    )
    assert done.returncode == 0
    assert done.stderr == ""
