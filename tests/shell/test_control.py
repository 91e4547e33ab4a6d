from __future__ import annotations

import asyncio
import json
import os
import socket
import stat
from contextlib import asynccontextmanager
from pathlib import Path
from typing import TYPE_CHECKING, Any

import pytest

from shell_stage import Stage
from tocsin import control
from tocsin.core.events import CommandFact

if TYPE_CHECKING:
    from collections.abc import AsyncIterator

SEEN = {"site": "Fern Ridge hut", "packs": []}


@asynccontextmanager
async def served(path: Path, stage: Stage) -> AsyncIterator[None]:
    """Serve the control socket beside a running shell."""
    running = asyncio.ensure_future(stage.run_until(10**9, left=stage.pack()))
    try:
        async with control.serve(path, stage.inbox, lambda: SEEN):
            yield
    finally:
        running.cancel()
        await asyncio.gather(running, return_exceptions=True)


def answers(folder: Path, *lines: bytes) -> tuple[list[dict[str, Any]], Stage]:
    """Return what a running daemon answers to each line."""
    stage, path = Stage(), control.socket_path(folder)

    async def said(line: bytes) -> dict[str, Any]:
        reader, writer = await asyncio.open_unix_connection(path)
        writer.write(line)
        writer.write_eof()
        answer = await reader.read()
        writer.close()
        return json.loads(answer or b"{}")  # type: ignore[no-any-return]

    async def main() -> list[dict[str, Any]]:
        async with served(path, stage):
            return [await said(line) for line in lines]

    return asyncio.run(main()), stage


def test_it_shows_what_the_daemon_sees(tmp_path: Path) -> None:
    (said,), _ = answers(tmp_path, b'{"do": "show"}\n')
    assert said == {"ok": True, "show": SEEN}


def test_a_command_reaches_the_core_and_its_outcome_comes_back(tmp_path: Path) -> None:
    asked = b'{"do": "silence", "by": "the keeper", "for_ms": 60000}\n'
    (said,), stage = answers(tmp_path, asked)
    facts = [fact for fact in stage.ears.facts if isinstance(fact, CommandFact)]
    assert [(fact.verb, fact.by) for fact in facts] == [("silence", "the keeper")]
    assert said["ok"] is facts[0].accepted
    assert said["why"] == facts[0].outcome


def test_a_command_that_is_refused_says_why(tmp_path: Path) -> None:
    (said,), _ = answers(tmp_path, b'{"do": "shelve", "alarm": "no-such-rule"}\n')
    assert said["ok"] is False
    assert said["why"]


@pytest.mark.parametrize(
    "line",
    [
        b"hello\n",
        b"[]\n",
        b"{}\n",
        b'"show"\n',
        b'{"do": "energise"}\n',
        b'{"do": null}\n',
        b"[" * 4_000 + b"\n",
        b'{"do": ' + b"[" * 3_000 + b"\n",
        b"\xff\xfe\n",
        b"",
    ],
)
def test_what_is_no_command_is_answered_with_what_would_be(
    line: bytes, tmp_path: Path
) -> None:
    (said,), stage = answers(tmp_path, line)
    assert said["ok"] is False
    assert "acknowledge" in said["why"]
    assert not any(isinstance(fact, CommandFact) for fact in stage.ears.facts)


@pytest.mark.parametrize("said", [b'"soon"', b"1e999", b"NaN", b"1.5", b"true"])
def test_a_time_that_is_no_whole_number_is_answered(
    said: bytes, tmp_path: Path
) -> None:
    line = b'{"do": "silence", "for_ms": ' + said + b"}\n"
    (answer,), stage = answers(tmp_path, line)
    assert answer == {"ok": False, "why": "for_ms is no whole number"}
    assert not any(isinstance(fact, CommandFact) for fact in stage.ears.facts)


def test_a_line_without_end_is_dropped_and_the_next_caller_is_served(
    tmp_path: Path,
) -> None:
    said, _ = answers(tmp_path, b"x" * 100_000, b'{"do": "show"}\n')
    assert said == [{}, {"ok": True, "show": SEEN}]


def test_only_owner_and_group_may_open_it(tmp_path: Path) -> None:
    path = control.socket_path(tmp_path)

    async def main() -> int:
        async with served(path, Stage()):
            return stat.S_IMODE(path.stat().st_mode)

    assert asyncio.run(main()) == 0o660


def test_it_is_gone_when_the_daemon_is(tmp_path: Path) -> None:
    answers(tmp_path)
    assert not control.socket_path(tmp_path).exists()


def test_a_second_daemon_is_refused_and_the_first_goes_on(tmp_path: Path) -> None:
    path = control.socket_path(tmp_path)

    async def main() -> None:
        async with served(path, Stage()):
            with pytest.raises(control.AlreadyServedError, match="another daemon"):
                async with control.serve(path, Stage().inbox, lambda: None):
                    pytest.fail("two daemons serve one site")
            assert path.exists()

    asyncio.run(main())


def test_what_a_dead_daemon_left_is_taken_over(tmp_path: Path) -> None:
    path = control.socket_path(tmp_path)
    with socket.socket(socket.AF_UNIX) as left:
        left.bind(str(path))
    assert path.exists()
    (said,), _ = answers(tmp_path, b'{"do": "show"}\n')
    assert said["ok"]


def test_a_deep_folder_gets_a_short_path_of_its_own() -> None:
    """unix(7): a path has 108 bytes at most."""
    deep = [Path("/var/lib") / ("x" * 100) / name for name in "ab"]
    paths = {control.socket_path(folder) for folder in deep}
    assert len(paths) == 2
    assert all(len(os.fsencode(path)) < 108 for path in paths)


def test_asking_where_nobody_listens_says_so(tmp_path: Path) -> None:
    with pytest.raises(control.ControlError, match="no daemon answers"):
        control.ask(tmp_path / "control.sock", {"do": "show"})


def test_asking_gets_the_answer(tmp_path: Path) -> None:
    path = control.socket_path(tmp_path)

    async def main() -> dict[str, Any]:
        async with served(path, Stage()):
            return await asyncio.to_thread(control.ask, path, {"do": "show"})

    assert asyncio.run(main())["show"] == SEEN


def test_a_caller_that_says_nothing_is_let_go(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(control, "PATIENCE_S", 0.05)
    path = control.socket_path(tmp_path)

    async def main() -> bytes:
        async with served(path, Stage()):
            reader, writer = await asyncio.open_unix_connection(path)
            answer = await reader.read()
            writer.close()
            return answer

    assert asyncio.run(main()) == b""
