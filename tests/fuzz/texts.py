"""Files that people write or keep: site files, register maps, traces."""

from __future__ import annotations

import random
import re
import struct
import tempfile
from contextlib import contextmanager, suppress
from pathlib import Path
from typing import TYPE_CHECKING

from tests.fuzz import mutate
from tests.fuzz.campaign import Target, WrongError
from tests.fuzz.can import memory_folder
from tests.fuzz.physical import judged, judged_by_core

from can_made import HUT_DBC, HUT_SITE
from modbus_device import lead
from site_odd import ODD, WHOLE
from tocsin.ports import DriverError
from tocsin.registers import PointRole, RegisterType
from tocsin.trace import TraceError, read_trace, written
from tocsin_config import SiteFileError, doubts, load
from tocsin_config.maps import Wanted, read_map_file
from tocsin_drivers.modbus.registers_codec import MapReader

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence
    from random import Random

    from tests.fuzz.campaign import Look

    from tocsin.registers import RegisterMap
    from tocsin_config import Problem

SITES = Path(__file__).parents[2] / "deploy" / "sites"
CELLS = 4

# --- site files ---------------------------------------------------------------------


def site_corpus() -> list[bytes]:
    """Return the sample sites, one with every table, and one on CAN."""
    files = [path.read_bytes() for path in sorted(SITES.glob("*.toml"))]
    return [*files, WHOLE.encode(), HUT_SITE.encode()]


def by_toml(chance: Random, data: bytes, others: Sequence[bytes]) -> bytes:
    """Put an odd value behind a key, or spoil the text as any text."""
    if chance.random() < 0.5:
        return mutate.by_text(chance, data, others)
    rows = data.decode("utf-8", "replace").split("\n")
    for _ in range(chance.choice((1, 1, 2, 3))):
        at = chance.randrange(len(rows))
        key, equals, _ = rows[at].partition("= ")
        if equals:
            rows[at] = f"{key}= {chance.choice((*ODD, _deep(chance)))}"
    return "\n".join(rows).encode()


def _deep(chance: Random) -> str:
    """Return a value that is nested nearly too deeply, or far too deeply."""
    depth = chance.choice((5, 90, 150, 200, 240, 300, 320, 330, 400, 480, 2_000))
    if chance.random() < 0.3:
        return "{ a = " * depth + "1" + " }" * depth
    return "[" * depth + "]" * depth


@contextmanager
def site_folder() -> Iterator[Path]:
    """Return a folder with all that the sample sites include, as it lies in deploy."""
    deploy = SITES.parent
    with tempfile.TemporaryDirectory(dir=memory_folder()) as name:
        included = (
            *SITES.rglob("*.dbc"),
            *SITES.rglob("maps/*"),
            *deploy.rglob("*.txt"),
        )
        for path in included:
            copy = Path(name) / path.relative_to(deploy)
            copy.parent.mkdir(exist_ok=True, parents=True)
            copy.write_bytes(path.read_bytes())
        folder = Path(name) / SITES.name
        (folder / "hut.dbc").write_text(HUT_DBC)
        yield folder


@contextmanager
def opened_site() -> Iterator[Look]:
    """Load the site file as every command does, and look for doubts."""
    with site_folder() as folder:
        path = folder / "site.toml"

        def look(data: bytes) -> str:
            path.write_bytes(data)
            try:
                setup = load(path)
            except SiteFileError as exc:
                return told(exc.problems)
            doubts(setup)
            return ""

        yield look


def told(problems: Sequence[Problem]) -> str:
    """Return what is wrong, each problem with a place in its file.

    Raises:
        WrongError: none is told, or one stands nowhere.
    """
    if not problems or list(problems) != sorted(set(problems)):
        raise WrongError(f"told twice, or not in order: {problems}")
    for problem in problems:
        lines = problem.file.read_bytes().count(b"\n") + 1
        if not 1 <= problem.line <= lines:
            raise WrongError(f"no line {problem.line} of {lines}: {problem}")
        if not (problem.key and problem.wrong and problem.right):
            raise WrongError(f"it does not say where and why: {problem}")
    return str(problems[0])


# --- register maps ------------------------------------------------------------------

MAP = """\
max_registers = 60
max_gap = 4
[[point]]
role = "constant"
address = 0
expect = 0x5052
[[point]]
cells = "1..4 at 0x1000 step 1"
scale = 0.001
absent = [0xFFFF, 0x8000]
low = 0.5
high = 5
[[point]]
role = "current"
address = 20
type = "s32"
word_order = "little"
byte_order = "little"
scale = -0.1
offset = 0.5
[[point]]
role = "temperature"
address = 30
count = 2
step = 2
type = "f32"
function = 4
[[point]]
role = "flags"
address = 7
type = "bits"
bits = { "cold-trip" = 1, "charge-refused" = 15 }
active_low = true
"""


def map_corpus() -> list[bytes]:
    """Return the sample maps, and one with every key."""
    files = [path.read_bytes() for path in sorted((SITES / "maps").glob("*.toml"))]
    return [*files, MAP.encode()]


@contextmanager
def opened_map() -> Iterator[Look]:
    """Load the map, then read devices of random registers by it."""
    with tempfile.TemporaryDirectory(dir=memory_folder()) as name:
        path = Path(name) / "map.toml"

        def look(data: bytes) -> str:
            path.write_bytes(data)
            _, made, problems = read_map_file(path, Wanted())
            if made is None:
                return told(sorted(set(problems)))
            _read_by(made)
            return ""

        yield look


def _read_by(register_map: RegisterMap) -> None:
    """Take readings of what the map reads: sound values, and one register at random."""
    sound = dict(_sound(register_map))
    for seed in range(4):
        chance, reader = random.Random(seed), MapReader(register_map, cells=CELLS)
        registers = Filled(chance, sound)
        if seed:
            registers[chance.choice(list(sound))] = chance.randrange(65_536)
        try:
            judged(lead(reader.reading(), registers), CELLS)
        except DriverError as exc:
            if not str(exc):
                raise WrongError("no reason") from exc


def _sound(register_map: RegisterMap) -> Iterator[tuple[int, int]]:
    """Yield (address, register) of plausible values, as the map has them."""
    for point in register_map.points:
        value = (PLAUSIBLE.get(point.role, 1.0) - point.offset) / point.scale
        count, bits = point.type.registers, 16 * point.type.registers
        for i in range(point.count):
            raw = 0
            if point.type is RegisterType.F32:
                with suppress(OverflowError):
                    raw = int.from_bytes(struct.pack(">f", value))
            else:
                with suppress(OverflowError):
                    whole = round(value) if point.expect is None else point.expect
                    raw = whole % (1 << bits)
            words = [raw >> 16 * n & 0xFFFF for n in range(count)]
            for n, word in enumerate(words[::-1] if point.big_words else words):
                swapped = (word & 0xFF) << 8 | word >> 8
                at = point.address + i * point.step + n
                yield at, word if point.big_bytes else swapped


PLAUSIBLE = {
    **dict.fromkeys((PointRole.CELL, PointRole.LOW_CELL, PointRole.HIGH_CELL), 3.3),
    PointRole.TEMPERATURE: 20.0,
    PointRole.CURRENT: -12.5,
    PointRole.VOLTAGE: 13.2,
    PointRole.SOC: 64.0,
}


class Filled(dict[int, int]):
    """A device that has every register."""

    def __init__(self, chance: Random, few: dict[int, int]) -> None:
        super().__init__(few)
        self._chance = chance

    def __contains__(self, key: object) -> bool:
        return True

    def __missing__(self, key: int) -> int:
        return self._chance.choice((3_300, self._chance.randrange(65_536)))


# --- traces -------------------------------------------------------------------------

TRACE = """\
t_s,pack,current_a,soc_pct,cell_v_1,cell_v_2,cell_v_3,cell_v_4,temp_c_1,temp_c_2
0.0,left,-12.5,64.5,3.301,3.302,3.303,3.304,5.5,-4.5
0.0,right,,,3.301,3.302,3.303,3.304,,
1.0,left,-12.5,64.5,3.301,,3.303,3.304,5.5,-4.5
2.5,right,1e2,64.5,3.301,3.302,3.303,3.304,,
3.0,left,,,,,,,,
"""


def trace_corpus() -> list[bytes]:
    """Return traces of two packs: as people write them, and as the daemon does."""
    quoted = TRACE.replace("left", '"left"').replace("\n", "\r\n")
    return [TRACE.encode(), quoted.encode(), TRACE.encode("utf-8-sig")]


def by_trace(chance: Random, data: bytes, others: Sequence[bytes]) -> bytes:
    """Spoil the text; now and then a quote is left open before very much of it."""
    made = mutate.by_text(chance, data, others)
    if chance.random() < 0.002:
        return made + b'"' + made * (140_000 // max(1, len(made)))
    return made


@contextmanager
def opened_trace() -> Iterator[Look]:
    """Read the trace; what it says is possible, or the core refuses it."""
    with tempfile.TemporaryDirectory(dir=memory_folder()) as name:
        path = Path(name) / "night.csv"

        def look(data: bytes) -> str:
            path.write_bytes(data)
            last_ms = None
            try:
                for row in read_trace(path):
                    if last_ms is not None and row.at_ms < last_ms:
                        raise WrongError(f"{row.at_ms} after {last_ms}")
                    last_ms = row.at_ms
                    if row.sample is None:
                        continue
                    cells, temps = len(row.sample.cells_mv), len(row.sample.temps_dc)
                    judged_by_core(row.sample, max(1, cells))
                    written(row.at_ms, row.pack, row.sample, cells, temps)
            except TraceError as exc:
                return str(exc)
            return ""

        yield look


TARGETS = (
    Target(
        name="site-file",
        what="site files in TOML, with all that they include",
        corpus=site_corpus,
        mutated=by_toml,
        opened=opened_site,
        says=re.compile(r"(?s).+/[^/:]+:\d+: .+: .+; .+"),
        most_s=3.0,
    ),
    Target(
        name="map-file",
        what="register maps in TOML, then devices of random registers read by them",
        corpus=map_corpus,
        mutated=by_toml,
        opened=opened_map,
        says=re.compile(r"(?s).+/map\.toml:\d+: .+: .+; .+"),
        most_s=2.0,
    ),
    Target(
        name="trace",
        what="recorded traces in CSV",
        corpus=trace_corpus,
        mutated=by_trace,
        opened=opened_trace,
        says=re.compile(r"(?s).+night\.csv:\d+: .+"),
    ),
)
