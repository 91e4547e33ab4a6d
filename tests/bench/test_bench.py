"""The benchmark runs and says what it promises. Its figures are nobody's test."""

from __future__ import annotations

import re
import subprocess
import sys
from pathlib import Path

import pytest

BENCH = Path(__file__).with_name("bench.py")


def bench(*words: str) -> subprocess.CompletedProcess[str]:
    return subprocess.run(
        [sys.executable, str(BENCH), *words],
        capture_output=True,
        text=True,
        check=False,
    )


def told(done: subprocess.CompletedProcess[str], what: str) -> bool:
    """Return whether the table has a row of it, with yardstick and ratio."""
    row = rf"^{what} .*?(\s+[\d.]*[1-9][\d.]*){{3}}"
    return re.search(row, done.stdout, re.MULTILINE) is not None


def test_replay_is_told_in_rows_a_second() -> None:
    done = bench("replay", "--rows", "600", "--profile")
    assert done.returncode == 0, done.stderr
    assert re.search(r"replay: 600 rows of 16 cells, \d+ events", done.stdout)
    assert re.search(r"\d+ rows/s", done.stdout)
    assert "tottime" in done.stdout


@pytest.mark.slow
def test_the_daemon_and_the_bare_loop_do_the_same_reads_on_a_quiet_bank() -> None:
    done = bench("idle", "memory", "written", "--seconds", "5")
    assert done.returncode == 0, done.stderr
    assert "alarms: 0" in done.stdout
    rates = [float(rate) for rate in re.findall(r"([\d.]+) reads/s", done.stdout)]
    assert len(rates) == 2
    assert rates[0] == pytest.approx(rates[1], rel=0.25), "five looks, give or take one"
    assert told(done, "CPU, idle")
    assert len(re.findall(r"private [\d.]+ MB", done.stdout)) == 3
    assert re.search(r"written: [\d.]+ MB a day", done.stdout)


@pytest.mark.slow
def test_reaction_start_and_scale_stand_beside_their_yardsticks() -> None:
    done = bench(
        "reaction", "start", "scale", "--seconds", "2", "--looks", "1",
        "--starts", "1",
    )  # fmt: skip
    assert done.returncode == 0, done.stderr
    for what in ("answer to pin, p99", "jump to pin, p50", "start to first safe step"):
        assert told(done, what), done.stdout
    assert len(re.findall(r"^a cell, packs of 16", done.stdout, re.MULTILINE)) == 5


@pytest.mark.slow
def test_a_soak_tells_how_it_went_and_whether_it_grew() -> None:
    done = bench("soak", "--hours", "0.002", "--every-s", "2")
    assert done.returncode in {0, 1}, done.stderr
    assert len(re.findall(r"^ +\d+\.\d( +[\d.]+){8}$", done.stdout, re.MULTILINE)) >= 3
    assert re.search(r"(flat|not flat)$", done.stdout.strip())


@pytest.mark.parametrize(
    "words",
    [
        ["sing"],
        ["soak", "--hours", "0"],
        ["--seconds", "0"],
        ["--rows", "-1"],
        ["--seconds", "long"],
    ],
)
def test_what_it_does_not_know_is_one_clear_error(words: list[str]) -> None:
    done = bench(*words)
    assert done.returncode == 2
    assert "usage:" in done.stderr
