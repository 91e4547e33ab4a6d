"""Making a wheelhouse: what it refuses. What it makes is tried in real roots."""

from __future__ import annotations

import subprocess
from pathlib import Path

import pytest

SCRIPT = Path(__file__).parents[2] / "deploy/wheelhouse.sh"


@pytest.mark.parametrize(
    ("words", "said"),
    [
        ([], "name the folder to make"),
        (["one", "two"], "one folder, please"),
        (["--arch", "sparc", "new"], "--arch sparc is not known: aarch64, armv7l"),
        (["--python", "3.10", "new"], "--python 3.10 is not known: 3.11 or 3.13"),
        (["--arch"], "--arch needs a value"),
        (["--quick", "new"], "unknown option --quick"),
        (["."], ". is there already; name a new one"),
    ],
)
def test_wrong_arguments_end_with_2_and_make_nothing(
    words: list[str], said: str, tmp_path: Path
) -> None:
    done = subprocess.run(
        ["/bin/sh", SCRIPT, *words],
        cwd=tmp_path, capture_output=True, text=True, check=False,
    )  # fmt: skip
    assert done.returncode == 2
    assert said in done.stderr
    assert "--help" in done.stderr
    assert list(tmp_path.iterdir()) == []


def test_it_is_made_from_a_checkout_only(tmp_path: Path) -> None:
    (tmp_path / "deploy").mkdir()
    copy = tmp_path / "deploy/wheelhouse.sh"
    copy.write_bytes(SCRIPT.read_bytes())
    done = subprocess.run(
        ["/bin/sh", copy, tmp_path / "new"], capture_output=True, text=True, check=False
    )
    assert done.returncode == 1
    assert "made from a checkout" in done.stderr
    assert not (tmp_path / "new").exists()
