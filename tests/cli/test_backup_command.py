"""`tocsin backup` and `tocsin restore`, as a person types them."""

from __future__ import annotations

import json
import socket
import threading
from typing import TYPE_CHECKING

import pytest

from site_files import SMALL, written
from tocsin.cli import main

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path


@pytest.fixture
def site(tmp_path: Path) -> Path:
    folder = tmp_path / "etc"
    folder.mkdir()
    state = tmp_path / "state"
    (state / "records").mkdir(parents=True)
    (state / "records" / "proof.json").write_text('{"verdict": "pass"}')
    (state / "page-token").write_text("letmein-letmein")
    return written(folder, SMALL + f'[journal]\nfolder = "{state}"\n')


@pytest.fixture
def archive(site: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> Path:
    path = tmp_path / "hut.tar.gz"
    assert main(["backup", str(site), str(path)]) == 0
    said = capsys.readouterr()
    assert "2 files" in said.out
    assert "read back, whole" in said.out
    assert "page-token: a secret; --secrets takes it along" in said.out
    assert "state/records/proof.json" in said.err
    return path


def test_one_command_backs_up_and_one_puts_back(
    site: Path, archive: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    record = tmp_path / "state" / "records" / "proof.json"
    wanted = site.read_text()
    site.unlink()
    record.unlink()
    assert main(["restore", str(archive)]) == 0
    assert "2 files of" in capsys.readouterr().out
    assert site.read_text() == wanted
    assert record.read_text() == '{"verdict": "pass"}'


def test_what_is_there_is_named_and_not_touched(
    site: Path, archive: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    site.write_text("edited since")
    assert main(["restore", str(archive)]) == 1
    said = capsys.readouterr().err
    assert f"is there already: {site}" in said
    assert "--replace" in said
    assert site.read_text() == "edited since"


def test_replaced_files_lie_beside_the_new_ones_and_are_named(
    site: Path, archive: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    site.write_text("edited since")
    assert main(["restore", str(archive), "--replace", "--only", "site"]) == 0
    (aside,) = site.parent.glob("site.toml.before-restore-*")
    assert aside.read_text() == "edited since"
    assert str(aside) in capsys.readouterr().out


def test_a_look_into_an_archive_changes_nothing(
    site: Path, archive: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    site.unlink()
    assert main(["restore", "--list", str(archive)]) == 0
    assert "site/site.toml" in capsys.readouterr().out
    assert not site.exists()


def test_a_damaged_archive_is_refused_before_anything_changes(
    site: Path, archive: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    site.unlink()
    archive.write_bytes(archive.read_bytes()[:-9])
    assert main(["restore", str(archive), "--replace"]) == 1
    assert "nothing was restored" in capsys.readouterr().err
    assert not site.exists()


def test_a_file_that_is_no_archive_and_one_that_is_not_there_are_clear_errors(
    site: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    for path in (site, tmp_path / "nothing"):
        assert main(["restore", str(path)]) == 1
        assert str(path) in capsys.readouterr().err


def test_it_can_be_put_elsewhere_to_look_at(
    site: Path, archive: Path, tmp_path: Path
) -> None:
    look = tmp_path / "look"
    folders = ["--site-folder", str(look), "--state-folder", str(look / "state")]
    assert main(["restore", str(archive), *folders]) == 0
    assert (look / "site.toml").read_text() == site.read_text()
    assert (look / "state" / "records" / "proof.json").exists()


@pytest.fixture
def daemon(site: Path, tmp_path: Path) -> Iterator[None]:
    """Somebody who answers on the control socket."""
    assert site.exists()
    with socket.socket(socket.AF_UNIX) as server:
        server.bind(str(tmp_path / "state" / "control.sock"))
        server.listen()

        def answer() -> None:
            line, _ = server.accept()
            with line:
                line.recv(4_096)
                line.sendall(json.dumps({"ok": True, "show": {}}).encode() + b"\n")

        thread = threading.Thread(target=answer)
        thread.start()
        yield
        thread.join(5)


@pytest.mark.usefixtures("daemon")
def test_nothing_is_put_back_under_a_running_daemon(
    archive: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert main(["restore", str(archive), "--replace"]) == 1
    assert "systemctl stop tocsin" in capsys.readouterr().err


def test_a_site_file_with_a_mistake_cannot_be_backed_up_by_guess(
    site: Path, tmp_path: Path
) -> None:
    site.write_text("[bank")
    assert main(["backup", str(site), str(tmp_path / "x.tar.gz")]) == 2
    assert not (tmp_path / "x.tar.gz").exists()
