"""``tocsin show --live``: fresh looks fresh, stale looks stale, it leaves cleanly."""

from __future__ import annotations

import io
import os
import pty
import select
import signal
import subprocess
import sys
from typing import TYPE_CHECKING

import pytest
from rich.console import Console

from history_stage import site
from site_files import SMALL, written
from tocsin.cli import main
from tocsin.cli.live import STALE_S, Watched, picture
from tocsin.core.engine import step
from tocsin.core.events import Tick
from tocsin.core.state import fresh
from tocsin.show import show_json

if TYPE_CHECKING:
    from pathlib import Path


def drawn(folder: Path, age_s: float, trouble: str = "") -> str:
    made = site(folder)
    outcome = step(fresh(made, now_ms=0), Tick(at_ms=0), made)
    show = show_json(outcome, made, wall_ms=1_768_617_000_000)
    watched = Watched(100.0, show, trouble)
    console = Console(
        file=io.StringIO(), force_terminal=True, width=110, color_system="truecolor"
    )
    with console.capture() as caught:
        console.print(picture(watched, made, 100.0 + age_s))
    return caught.get()


@pytest.mark.parametrize(
    ("age_s", "is_live"),
    [(0.0, True), (STALE_S - 0.1, True), (STALE_S, False), (STALE_S + 0.1, False)],
)
def test_an_old_answer_does_not_look_alive(
    tmp_path: Path, age_s: float, *, is_live: bool
) -> None:
    text = drawn(tmp_path, age_s)
    assert ("live, Ctrl-C ends" in text) is is_live
    assert ("NOT LIVE" in text) is not is_live


def test_the_past_is_drawn_in_grey_alone(tmp_path: Path) -> None:
    """Colour is not the only sign: the line above says it in words."""
    first, _, rest = drawn(tmp_path, 12.0, "nobody answers").partition("\n")
    assert "the newest answer is 12 s old (nobody answers)" in first
    codes = {part.partition("m")[0] for part in rest.split("\x1b[")[1:]}
    assert codes <= {"90", "0"}
    fresh_codes = drawn(tmp_path, 0.0).split("\x1b[")[1:]
    assert len({part.partition("m")[0] for part in fresh_codes}) > 2


def test_a_failed_question_is_said_at_once(tmp_path: Path) -> None:
    assert "NOT LIVE" in drawn(tmp_path, 0.5, "connection refused")


def test_it_wants_a_terminal(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert main(["show", str(written(tmp_path, SMALL)), "--live"]) == 2
    assert "--live draws on a terminal" in capsys.readouterr().err


def read_until(fd: int, wanted: bytes, *, within_s: float = 30.0) -> bytes:
    said = b""
    while wanted not in said:
        ready, _, _ = select.select([fd], [], [], within_s)
        assert ready, said
        try:
            said += os.read(fd, 65_536)
        except OSError:
            break
    return said


def test_ctrl_c_leaves_the_terminal_as_it_was(tmp_path: Path) -> None:
    text = SMALL + f'[journal]\nfolder = "{tmp_path}"\n'
    path = written(tmp_path, text)
    ours, theirs = pty.openpty()
    argv = ["show", str(path), "--live"]
    go = (  # what a shell starts in the background ignores SIGINT
        "import signal, sys; signal.signal(signal.SIGINT, signal.default_int_handler); "
        f"from tocsin.cli import main; sys.exit(main({argv}))"
    )
    environment = os.environ | {"TERM": "xterm-256color", "COLUMNS": "100"}
    with subprocess.Popen(
        [sys.executable, "-c", go],
        stdin=theirs, stdout=theirs, stderr=theirs, env=environment,
    ) as shown:  # fmt: skip
        os.close(theirs)
        said = read_until(ours, b"waiting for the daemon")
        assert b"\x1b[?1049h" in said, "it draws on a screen of its own"
        shown.send_signal(signal.SIGINT)
        said += read_until(ours, b"\x1b[?1049l")
        assert shown.wait(20) in {0, 130}
    os.close(ours)
    assert said.rindex(b"\x1b[?1049l") > said.rindex(b"\x1b[?1049h")
    assert said.rindex(b"\x1b[?25h") > said.rindex(b"\x1b[?25l"), "the cursor is back"
    assert b"Traceback" not in said
