"""The same targets, led by coverage: atheris runs them and keeps what reaches more.

Optional: ``pip install atheris`` (it has wheels for CPython on 64-bit Linux). Half of
its inputs are spoilt by the target's own mutator, half by libFuzzer's.
"""

from __future__ import annotations

import importlib
import sys
from random import Random
from typing import TYPE_CHECKING, Any

from tests.fuzz.mutate import LONGEST

if TYPE_CHECKING:
    from contextlib import AbstractContextManager
    from pathlib import Path

    from tests.fuzz.campaign import Target

ROOMS = ["tocsin", "tocsin_drivers", "tocsin_config"]


def _tool() -> Any:
    try:
        return importlib.import_module("atheris")
    except ImportError:
        sys.exit("coverage needs an optional tool: pip install atheris")


def reporting() -> AbstractContextManager[None]:
    """Have what of ours is imported meanwhile tell which branches it takes."""
    told: AbstractContextManager[None] = _tool().instrument_imports(include=ROOMS)
    return told


def guided(target: Target, count: int, seed: int, folder: Path) -> int:
    """Give *count* inputs to *target*; ends the process, with 0 if all was sound.

    What it finds lies in *folder*, and libFuzzer prints how much code it reached.
    """
    fuzzer = _tool()
    corpus = [bytes(each) for each in target.corpus()]
    home = folder / target.name
    home.mkdir()
    for number, data in enumerate(corpus):
        (home / f"sound-{number}").write_bytes(data)
    with target.opened() as look:

        def one(data: bytes) -> None:
            why = look(data)
            if why and not target.says.fullmatch(why):
                raise AssertionError(f"it does not say where and why: {why!r}"[:400])

        def spoilt(data: bytes, most: int, number: int) -> bytes:
            chance = Random(number)
            if chance.random() < 0.5:
                made: bytes = fuzzer.Mutate(data, most)
                return made
            return target.mutated(chance, data or corpus[0], corpus)[:most]

        limits = [f"-runs={count}", f"-seed={seed}", f"-max_len={LONGEST}"]
        paths = [f"-artifact_prefix={folder}/found-", str(home)]
        fuzzer.Setup([target.name, *limits, *paths], one, custom_mutator=spoilt)
        fuzzer.Fuzz()
    return 0
