"""``tocsin demo --mqtt``: a broker of its own, and what a subscriber sees."""

from __future__ import annotations

import re
import socket
import subprocess
import sys
import threading
from typing import TYPE_CHECKING

import broker
from mqtt_stage import verdict
from tocsin.cli import main

if TYPE_CHECKING:
    import pytest


def test_without_a_broker_it_says_what_to_install(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.setattr("tocsin.cli.broker.PLACES", "/nowhere")
    assert main(["demo", "--mqtt", "--seconds", "0"]) == 1
    assert "sudo apt install mosquitto" in capsys.readouterr().err


def answers(port: int) -> bool:
    try:
        socket.create_connection(("127.0.0.1", port), 1).close()
    except OSError:
        return False
    return True


def test_a_subscriber_sees_a_tree_that_keeps_to_the_convention() -> None:
    command = [sys.executable, "-m", "tocsin", "demo", "--mqtt", "--seconds", "20"]
    ears: list[broker.Ears] = []
    with subprocess.Popen(command, stdout=subprocess.PIPE, text=True) as demo:
        assert demo.stdout is not None
        said = iter(demo.stdout.readline, "")
        port = next(int(m[1]) for m in (re.search(r"-p (\d+)", s) for s in said) if m)
        drained = threading.Thread(target=lambda: list(said), daemon=True)
        drained.start()
        with broker.listening(port) as heard:
            ears.append(heard)
            heard.wait_for(
                lambda: heard.kept.get("homie/5/fern-ridge-hut/$state") == b"ready"
            )
            heard.wait_for(lambda: len(heard.messages) > 400)
            demo.terminate()
        drained.join(20)
        assert not answers(port), "the broker has gone with the demo"
    assert verdict(ears[0]) == []
