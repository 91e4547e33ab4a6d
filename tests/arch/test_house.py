"""Rules of the house, read from the source tree. Each has a source that breaks it."""

from __future__ import annotations

import ast
import sys
from collections import defaultdict
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[2]
HOUSES = {"daemon": "tocsin", "drivers": "tocsin_drivers", "config": "tocsin_config"}
LONGEST = 400

CLOCKS = frozenset(
    {
        *("time." + name for name in ("time", "monotonic", "perf_counter")),
        *("time." + name for name in ("process_time", "thread_time", "clock_gettime")),
        *("time." + name for name in ("localtime", "gmtime", "ctime", "strftime")),
        *("datetime.datetime." + name for name in ("now", "utcnow", "today")),
        "datetime.date.today",
        "os.times",
    }
)
LOOP_TIME = "<loop>.time()"

MAY_READ_A_CLOCK = {
    "daemon/tocsin/clock.py": "the one place that may",
    "daemon/tocsin/cli/demo.py": "how often the picture is drawn, by real time",
}
"""In the daemon. Drivers may use the running loop's time to pace themselves."""

HOME = {
    "aiohttp": "daemon/tocsin/page/server.py",
    "pymodbus": "drivers/tocsin_drivers/modbus/link.py",
    "paho": "daemon/tocsin/mqtt/link.py",
    "psycopg": "daemon/tocsin/fleet/store.py",
    "can": "drivers/tocsin_drivers/can/buses.py",
    "cantools": "daemon/tocsin/dbc.py",
    "gpiozero": "drivers/tocsin_drivers/gpio/lines.py",
    "lgpio": "drivers/tocsin_drivers/gpio/lines.py",
    "pydantic": "config/tocsin_config/",
    "pydantic_core": "config/tocsin_config/",
    "rich": "daemon/tocsin/cli/",
}
"""Where each library may be imported: in one file, or below one folder."""

GUESTS = {
    ("daemon/tocsin/learned.py", "pydantic"): "it reads a file back and must judge it",
    ("drivers/tocsin_drivers/simbus/can_bus.py", "can"): "the other end of the bus",
}
"""Libraries away from home, and why."""

PURE = frozenset(
    {
        *("__future__", "bisect", "collections", "collections.abc", "dataclasses"),
        *("enum", "functools", "itertools", "math", "operator", "typing"),
    }
)
IMPURE_BUILTINS = frozenset(
    {"open", "print", "input", "exec", "eval", "breakpoint", "__import__", "globals"}
)


def sources(*folders: str) -> dict[str, str]:
    """Return the text of every Python file below *folders*, by path."""
    found = {
        path.relative_to(ROOT).as_posix(): path.read_text(encoding="utf-8")
        for folder in folders
        for path in sorted((ROOT / folder).rglob("*.py"))
    }
    assert found, folders
    return found


def imports(source: str) -> set[str]:
    """Return the full names of all modules that *source* imports, wherever it does."""
    named = set[str]()
    for node in ast.walk(ast.parse(source)):
        if isinstance(node, ast.Import):
            named |= {alias.name for alias in node.names}
        elif isinstance(node, ast.ImportFrom):
            named.add("." * node.level + (node.module or ""))
    return named


def top(module: str) -> str:
    return module.split(".", maxsplit=1)[0]


def aliases(tree: ast.AST) -> dict[str, str]:
    """Return what each imported name stands for, in full."""
    known: dict[str, str] = {}
    for node in ast.walk(tree):
        if isinstance(node, ast.Import):
            for each in node.names:
                known[each.asname or top(each.name)] = (
                    each.name if each.asname else top(each.name)
                )
        elif isinstance(node, ast.ImportFrom):
            for each in node.names:
                known[each.asname or each.name] = f"{node.module}.{each.name}"
    return known


def full_name(node: ast.AST, known: dict[str, str]) -> str:
    if isinstance(node, ast.Name):
        return known.get(node.id, node.id)
    if isinstance(node, ast.Attribute):
        return f"{full_name(node.value, known)}.{node.attr}"
    return "?"


def clocks_read(source: str) -> set[str]:
    """Return which clocks *source* reads or names; any ``x.time()`` is a loop's."""
    tree = ast.parse(source)
    known = aliases(tree)
    read = set[str]()
    for node in ast.walk(tree):
        if isinstance(node, ast.Name | ast.Attribute):
            name = full_name(node, known)
            read |= {c for c in CLOCKS if name in {c, f"{c}_ns"}}
        if isinstance(node, ast.Call) and not node.args:
            called = full_name(node.func, known)
            if called.endswith(".time") and called not in CLOCKS:
                read.add(LOOP_TIME)
    return read


def impure(source: str) -> set[str]:
    """Return what a module of the core must not import or call."""
    wrong = {
        name
        for name in imports(source)
        if name not in PURE and name != "tocsin.core" and name[:12] != "tocsin.core."
    }
    for node in ast.walk(ast.parse(source)):
        if isinstance(node, ast.Name) and node.id in IMPURE_BUILTINS:
            wrong.add(node.id)
    return wrong


def strangers(path: str, source: str) -> set[str]:
    """Return the libraries that the file at *path* imports and should not."""
    ours = set(HOUSES.values()) | sys.stdlib_module_names | {""}
    return {
        library
        for library in map(top, imports(source))
        if library not in ours
        and (path, library) not in GUESTS
        and not (library in HOME and path.startswith(HOME[library]))
    }


def misplaced(files: set[str]) -> set[str]:
    """Return which *files* lie directly in a house, where only a package may."""
    return {file for file in files if len(Path(file).parts) == 2}


def too_long(text: str) -> bool:
    return len(text.splitlines()) >= LONGEST


def test_only_the_clock_and_its_listed_exceptions_read_clocks_in_the_daemon() -> None:
    readers = {p for p, text in sources("daemon").items() if clocks_read(text)}
    assert readers == set(MAY_READ_A_CLOCK), "and no exception outlives its reason"


def test_drivers_and_the_site_file_know_the_loop_s_time_alone() -> None:
    for path, text in sources("drivers", "config").items():
        assert clocks_read(text) <= {LOOP_TIME}, path


@pytest.mark.parametrize(
    "source",
    [
        "import time\ntime.time()",
        "import time as t\nt.monotonic_ns()",
        "from time import perf_counter\nstart = perf_counter",
        "from time import monotonic as now\nnow()",
        "import datetime\ndatetime.datetime.now()",
        "from datetime import datetime as dt\ndt.now(tz=None)",
        "from datetime import date\ndate.today()",
        "def f():\n    import time\n    return time.localtime()",
        "import asyncio\nasyncio.get_running_loop().time()",
        "loop.time()",
    ],
)
def test_each_way_to_read_a_clock_is_noticed(source: str) -> None:
    assert clocks_read(source)


@pytest.mark.parametrize(
    "source",
    [
        "import time\ntime.sleep(1)",
        "from tocsin.clock import wall_ms\nwall_ms()",
        "from datetime import UTC, datetime\ndatetime.fromtimestamp(0, tz=UTC)",
        "sample.time_ms",
        "def time() -> int: ...",
    ],
)
def test_what_reads_no_clock_is_let_pass(source: str) -> None:
    assert not clocks_read(source)


def test_each_library_is_imported_where_it_lives() -> None:
    for path, text in sources(*HOUSES).items():
        assert not strangers(path, text), path


@pytest.mark.parametrize(
    "library", [name for name, home in HOME.items() if home.endswith(".py")]
)
def test_a_library_of_the_outside_world_has_exactly_one_file(library: str) -> None:
    users = defaultdict[str, set[str]](set)
    for path, text in sources(*HOUSES).items():
        for name in imports(text):
            users[top(name)].add(path)
    guests = {path for path, visited in GUESTS if visited == library}
    assert users[library] - guests == {HOME[library]}


@pytest.mark.parametrize(
    ("path", "source"),
    [
        ("daemon/tocsin/shell.py", "import paho.mqtt.client as paho"),
        (
            "daemon/tocsin/mqtt/publisher.py",
            "from paho.mqtt.enums import MQTTErrorCode",
        ),
        ("drivers/tocsin_drivers/simbus/server.py", "import pymodbus.server"),
        ("drivers/tocsin_drivers/gpio/simulated.py", "def f():\n    import lgpio"),
        ("drivers/tocsin_drivers/modbus/plan.py", "from pydantic import BaseModel"),
        ("daemon/tocsin/show.py", "from rich.console import Console"),
        ("daemon/tocsin/core/bank.py", "import numpy"),
    ],
)
def test_a_library_in_the_wrong_place_is_noticed(path: str, source: str) -> None:
    assert strangers(path, source)


def test_a_library_at_home_is_let_pass() -> None:
    assert not strangers(HOME["paho"], "import paho.mqtt.client\nimport asyncio")
    assert not strangers(HOME["rich"] + "show.py", "from rich.text import Text")


def test_the_core_imports_what_is_pure_and_nothing_else() -> None:
    for path, text in sources("daemon/tocsin/core").items():
        assert not impure(text), path


@pytest.mark.parametrize(
    "source",
    [
        "import asyncio",
        "from pathlib import Path",
        "import datetime",
        "import random",
        "from tocsin.clock import wall_ms",
        "from tocsin import clock",
        "from tocsin.ports import Source",
        "import tocsin.core_of_something_else",
        "from . import engine",
        "def f():\n    import os",
        "text = open('journal').read()",
        "print('low')",
        "os = __import__('os')",
    ],
)
def test_each_way_out_of_the_core_is_noticed(source: str) -> None:
    assert impure(source)


def test_what_is_pure_is_let_pass() -> None:
    assert not impure("from dataclasses import dataclass\nimport math\nmath.inf")
    assert not impure("from tocsin.core import measures\nimport tocsin.core.alarm")


def test_no_source_file_is_long() -> None:
    long = [path for path, text in sources(*HOUSES).items() if too_long(text)]
    assert long == []


@pytest.mark.parametrize(("lines", "is_long"), [(399, False), (400, True), (401, True)])
def test_long_begins_at_four_hundred_lines(lines: int, is_long: bool) -> None:  # noqa: FBT001
    assert too_long("x = 1\n" * lines) is is_long


def test_only_packages_lie_directly_in_a_house() -> None:
    """A top-level package called `daemon` would overwrite somebody else's."""
    for house, package in HOUSES.items():
        assert misplaced(set(sources(house))) == set()
        packages = {path.parent.name for path in (ROOT / house).glob("*/__init__.py")}
        assert packages == {package}


def test_a_file_directly_in_a_house_is_noticed() -> None:
    assert misplaced({"daemon/__init__.py", "daemon/tocsin/__init__.py"}) == {
        "daemon/__init__.py"
    }
