"""What a site file says of an output's wiring: mistakes, volts of the bank, doubts."""

from __future__ import annotations

from collections import Counter
from pathlib import Path

import pytest
from tests.circuits.compare import compared
from tests.circuits.oracle import FORMULAS

from site_files import SMALL, line_of, loaded, mistakes
from tocsin.core.circuit import Check, Judged, Verdict
from tocsin_config import doubts, judged, load

HORN = """\
[[output]]
name = "horn"
role = "horn"
pin = "GPIO25"
[output.circuit]
"""
SOUND = f"""\
{SMALL}{HORN}load = "heater"
load_a = 5
load_min_v = 40
load_max_v = 62
length_m = 3
area_mm2 = 2.5
conductor_c = 60
ambient_c = 30
insulation_c = 105
fuse_a = 10
fuse_v = 80
fuse_breaking_a = 20000
contact_v = 80
contact_a = 10
contact_rating = "resistive"
contact_form = "normally-open"
coil_ma = 35
flyback = "diode-zener"
driver = "transistor"
pull = "down"
"""

SITES = Path(__file__).parents[2] / "deploy" / "sites"


def only(folder: Path, text: str) -> Judged:
    every, _ = judged(loaded(folder, text))
    return every[0]


def test_a_circuit_that_is_stated_whole_is_fine(tmp_path: Path) -> None:
    found = only(tmp_path, SOUND).findings
    assert {finding.verdict for finding in found} == {Verdict.FINE}
    assert not [p for p in doubts(loaded(tmp_path, SOUND)) if "circuit" in p.key]


SLIPS = [
    # what stands in the table, the key, what is wrong, what would be right
    ("lenght_m = 3", "lenght_m", "unknown key", "'length_m'"),
    ("length_m = 0", "length_m", "0 does not fit", "0.01 to 2000"),
    ("length_m = 2000.1", "length_m", "2000.1 does not fit", "to 2000"),
    ('load = "siren"', "load", "kind of load 'siren'", "'piezo-siren'?"),
    ("load_a = -1", "load_a", "-1 does not fit", "0.001 to 2000"),
    ('awg = "15"', "awg", "wire size '15'", "'1'?"),
    ("awg = 14", "awg", "14 does not fit", "in quotes"),
    ('awg = "14"\narea_mm2 = 2.5', "awg", "both awg and area_mm2", "one of them"),
    ("insulation_c = 70", "insulation_c", "70 does not fit", "60, 75, 80"),
    ("bundled = 0", "bundled", "0 does not fit", "1 to 100"),
    ("contacts_in_series = 5", "contacts_in_series", "5 does not fit", "1 to 4"),
    ('contact_rating = "ac"', "contact_rating", "rating 'ac'", "resistive"),
    ('contact_form = "open"', "contact_form", "contact 'open'", "normally-open"),
    ('driver = "mosfet"', "driver", "driver 'mosfet'", "transistor"),
    ('flyback = "yes"', "flyback", "suppression 'yes'", "diode-zener"),
    ("flyback = true", "flyback", "true does not fit", "diode-zener"),
    ('pull = "10k"', "pull", "pull '10k'", "down, none, up"),
    ('supply = "converter"', "supply_v", "is missing", "such as 12"),
    ("supply_v = 12", "supply_v", "only for a converter", 'supply = "converter"'),
    ("relay = false\ncoil_ma = 35", "coil_ma", "there is no relay", "relay = true"),
    ("load_min_v = 12\nload_max_v = 12", "load_min_v", "from 12 V", "below"),
]


@pytest.mark.parametrize(("rows", "key", "wrong", "right"), SLIPS)
def test_a_mistake_in_a_circuit_is_told_with_its_line(
    rows: str, key: str, wrong: str, right: str, tmp_path: Path
) -> None:
    text = f"{SMALL}{HORN}{rows}\n"
    (problem,) = mistakes(tmp_path, text)
    row = next((row for row in rows.splitlines() if row.startswith(f"{key} =")), None)
    assert problem.line == line_of(text, row or "[output.circuit]")
    assert problem.key == f"output[horn].circuit.{key}"
    assert wrong in problem.wrong
    assert right in problem.right


def test_low_and_high_volts_of_a_load_may_be_a_hair_apart(tmp_path: Path) -> None:
    loaded(tmp_path, f"{SMALL}{HORN}load_min_v = 12\nload_max_v = 12.1\n")


CHAIN = """\
[output.reliability]
parts = { relay = 3e-7, horn = 3e-6 }
proof_test_months = 3
coverage_pct = 95
life_years = 10
"""


@pytest.mark.parametrize(
    ("old", "new", "key", "wrong"),
    [
        ("horn = 3e-6", "horn = 2", ".parts.horn", "2 does not fit"),
        ("horn = 3e-6", 'horn = "3e-6"', ".parts.horn", "'3e-6' does not fit"),
        ("{ relay = 3e-7, horn = 3e-6 }", "{}", ".parts", "does not fit"),
        ("coverage_pct = 95", "coverage_pct = 101", ".coverage_pct", "101"),
        ("proof_test_months = 3\n", "", "", "is missing"),
        ("life_years = 10", "life_years = 0", ".life_years", "0 does not fit"),
    ],
)
def test_a_mistake_in_the_reliability_is_told(
    old: str, new: str, key: str, wrong: str, tmp_path: Path
) -> None:
    text = f"{SMALL}{HORN}{CHAIN}".replace(old, new)
    (problem,) = mistakes(tmp_path, text)
    assert problem.key.startswith(f"output[horn].reliability{key}")
    assert wrong in problem.wrong


def test_every_mistake_of_the_wiring_is_told_at_once(tmp_path: Path) -> None:
    text = f'{SMALL}{HORN}load_a = 0\npull = "x"\n' + CHAIN.replace("95", "950")
    text = text.replace("3e-7", "-1").replace('"GPIO25"', '"GPIO28"')
    assert [problem.key for problem in mistakes(tmp_path, text)] == [
        "output[horn].pin",
        "output[horn].circuit.load_a",
        "output[horn].circuit.pull",
        "output[horn].reliability.parts.relay",
        "output[horn].reliability.coverage_pct",
    ]


def test_the_chain_is_estimated(tmp_path: Path) -> None:
    chain = only(tmp_path, f"{SMALL}{HORN}{CHAIN}").reliability
    assert chain is not None
    assert chain.pfd_avg == pytest.approx(
        0.95 * 3.3e-6 * 2_190 / 2 + 0.05 * 3.3e-6 * 87_600 / 2
    )


@pytest.mark.parametrize(
    ("rate", "is_doubted"), [(1.1415e-5, False), (1.1416e-5, True), (1.2e-5, True)]
)
def test_more_than_one_failure_in_ten_demands_is_doubted(
    rate: float,
    is_doubted: bool,  # noqa: FBT001
    tmp_path: Path,
) -> None:
    """rate x 17,520 h / 2 = 0.1: an alarm with a person behind it is credited with no
    better (UK LOPA guidance)."""
    chain = (
        f"[output.reliability]\nparts = {{ all = {rate} }}\nproof_test_months = 24\n"
        "coverage_pct = 100\nlife_years = 2\n"
    )
    text = SMALL + HORN.replace("[output.circuit]\n", "") + chain
    told = [p for p in doubts(loaded(tmp_path, text)) if "reliability" in p.key]
    assert bool(told) is is_doubted
    if told:
        assert told[0].line == line_of(text, "[output.reliability]")


# --- the bank's volts ------------------------------------------------------------


def test_the_bank_is_all_packs_of_a_string_between_both_cut_offs(
    tmp_path: Path,
) -> None:
    packs = '[[pack]]\nname = "{}"\ndriver = "trace"\nstring = "{}"\n'
    text = SOUND.replace('"trace"', '"trace"\nstring = "a"')
    text = text.replace("= 16", "= 4").replace(
        "[[output]]", packs.format("r", "a") + "[[output]]"
    )
    for added, strings in (("", 1), ("b", 2)):
        more = "".join(packs.format(f"{added}{n}", added) for n in range(2))
        whole = text.replace("[[output]]", (more if added else "") + "[[output]]")
        circuit = only(tmp_path, whole).circuit
        assert circuit is not None
        assert circuit.supply_low_v == pytest.approx(2 * 4 * 2.80)
        assert circuit.supply_high_v == pytest.approx(2 * 4 * 3.75)
        # 0.12 ohm Ah a cell, the preset's.
        assert circuit.fault_ohm == pytest.approx(2 * 4 * 0.12 / 280 / strings)


def test_a_converter_keeps_its_volts(tmp_path: Path) -> None:
    text = SOUND.replace("load_a", 'supply = "converter"\nsupply_v = 24\nload_a')
    circuit = only(tmp_path, text).circuit
    assert circuit is not None
    assert (circuit.supply_low_v, circuit.supply_high_v) == (24, 24)
    assert circuit.fault_ohm is None


@pytest.mark.parametrize(
    ("awg", "mm2"), [("22", 0.326), ("14", 2.08), ("1/0", 53.5), ("4/0", 107)]
)
def test_wire_sizes_in_awg(awg: str, mm2: float, tmp_path: Path) -> None:
    """ASTM B258."""
    text = SOUND.replace("area_mm2 = 2.5", f'awg = "{awg}"')
    circuit = only(tmp_path, text).circuit
    assert circuit is not None
    assert circuit.area_mm2 == mm2


# --- doubts ----------------------------------------------------------------------

POOR = [
    # old, new, check, verdict, the row it is told at
    ("area_mm2 = 2.5", "area_mm2 = 0.4", Check.DROP, "doubtful", "area_mm2"),
    ("load_max_v = 62", "load_max_v = 59", Check.VOLTS, "unsafe", "load_max_v"),
    ("load_min_v = 40", "load_min_v = 45", Check.VOLTS, "unsafe", "load_min_v"),
    ("ambient_c = 30", "ambient_c = 104", Check.AMPACITY, "unsafe", "area_mm2"),
    ("ambient_c = 30\n", "", Check.AMPACITY, "unknown", "[output.circuit]"),
    ("fuse_a = 10", "fuse_a = 36", Check.FUSE, "unsafe", "fuse_a"),
    ("fuse_v = 80", "fuse_v = 58", Check.FUSE, "unsafe", "fuse_v"),
    ("= 20000", "= 900", Check.FUSE_BREAKS, "unsafe", "fuse_breaking_a"),
    ("contact_a = 10", "contact_a = 4", Check.CONTACT, "unsafe", "contact_a"),
    ("contact_v = 80", "contact_v = 30", Check.CONTACT, "unsafe", "contact_v"),
    ("normally-open", "latching", Check.DIRECTION, "doubtful", "contact_form"),
    ("coil_ma = 35", "coil_ma = 161", Check.PIN, "unsafe", "coil_ma"),
    ("diode-zener", "none", Check.FLYBACK, "unsafe", "flyback"),
    ('"down"', '"up"', Check.BOOT, "unsafe", "pull ="),
    ("GPIO25", "GPIO2", Check.BOOT, "unsafe", "pin ="),
]


@pytest.mark.parametrize("poor", POOR, ids=lambda poor: f"{poor[2]} {poor[1]}")
def test_what_is_poor_is_doubted_on_the_line_it_hangs_on(
    poor: tuple[str, str, Check, str, str], tmp_path: Path
) -> None:
    old, new, check, verdict, at = poor
    text = SOUND.replace(old, new)
    told = doubts(loaded(tmp_path, text))
    (problem,) = [p for p in told if p.wrong.startswith(f"{verdict} ({check})")]
    assert problem.right
    assert problem.line == line_of(text, at)


def test_the_pin_of_a_stated_circuit_is_doubted_once(tmp_path: Path) -> None:
    text = SOUND.replace("GPIO25", "GPIO4").replace('pull = "down"', 'pull = "none"')
    told = [p for p in doubts(loaded(tmp_path, text)) if "GPIO4" in p.wrong]
    assert len(told) == 1
    assert "at boot GPIO4 is high" in told[0].wrong


def test_all_pins_together_are_doubted_at_the_outputs(tmp_path: Path) -> None:
    more = "".join(
        f'[[output]]\nname = "o{n}"\nrole = "beacon"\npin = "GPIO{n + 9}"\n'
        '[output.circuit]\ndriver = "opto"\ninput_ma = 8\n'
        for n in range(6)
    )
    told = [p for p in doubts(loaded(tmp_path, SOUND + more)) if "rail" in p.wrong]
    assert [problem.key for problem in told] == ["output"]
    assert told[0].wrong.startswith("unsafe (3.3 V rail): all pins together")


def test_the_shipped_site_states_circuits_that_are_fine() -> None:
    every, rail = judged(load(SITES / "fern-ridge-full.toml"))
    assert all(each.circuit is not None for each in every)
    assert {f.verdict for each in every for f in each.findings} == {Verdict.FINE}
    assert rail is not None
    assert rail.verdict is Verdict.FINE


# --- random sites -----------------------------------------------------------------

SOME = 300
"""``python -m tests.circuits`` judges 3,000."""


def test_nothing_is_called_fine_that_the_published_formulas_call_unsafe(
    tmp_path: Path,
) -> None:
    verdicts: Counter[tuple[str, str]] = Counter()
    wrong = [line for n in range(SOME) for line in compared(n, tmp_path, verdicts)]
    assert wrong == []
    for check in FORMULAS:
        of_check = {verdict: verdicts[check, verdict] for verdict in Verdict}
        assert of_check[Verdict.FINE] > SOME / 10, check
        assert of_check[Verdict.UNKNOWN] > 0, check
        assert of_check[Verdict.DOUBTFUL] + of_check[Verdict.UNSAFE] > 0, check


@pytest.mark.parametrize("capacity", ["1e-300", "0.0001", "0.001", "100000"])
def test_a_bank_of_next_to_no_capacity_is_judged_too(
    capacity: str, tmp_path: Path
) -> None:
    names = ("charge-current", "cold-charge-current", "discharge-current")
    rules = "".join(
        f'[[rule]]\nname = "{name}"\ntrip_a = 20\nclear_a = 10\n' for name in names
    )
    assert only(tmp_path, SOUND.replace("= 280", f"= {capacity}") + rules).findings
