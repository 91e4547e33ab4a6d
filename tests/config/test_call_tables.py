"""Tables of inputs, generators and heaters: what they come to, and what is refused."""

from __future__ import annotations

from pathlib import Path

import pytest

from site_files import SMALL, loaded, mistakes
from tocsin.core.hours import HOUR_MS
from tocsin.core.plant import GeneratorPlan, InputRole
from tocsin_config import cautions, doubts, load

SET = '[[output]]\nname = "set"\nrole = "generator-call"\n'
HEATER = (
    '[[output]]\nname = "warm"\nrole = "heater-call"\n[output.heater]\nwatts = 400\n'
)
HORN = '[[output]]\nname = "horn"\nrole = "horn"\n'
RUNS = '[[input]]\nname = "runs"\nrole = "generator-running"\n'


def test_a_plain_generator_call_stays_a_contact(tmp_path: Path) -> None:
    (output,) = loaded(tmp_path, SMALL + SET).site.outputs
    assert output.generator is None
    assert (output.min_on_ms, output.min_off_ms) == (1_800_000, 600_000)


def test_an_empty_generator_table_means_its_defaults(tmp_path: Path) -> None:
    site = loaded(tmp_path, SMALL + SET + "[output.generator]\n").site
    (output,) = site.outputs
    assert output.generator == GeneratorPlan(confirm_ma=5_600)
    assert (output.min_on_ms, output.min_off_ms) == (0, 30_000)


def test_a_heater_warms_what_it_is_said_to(tmp_path: Path) -> None:
    (output,) = loaded(tmp_path, SMALL + HEATER).site.outputs
    plan = output.heater
    assert plan is not None
    assert plan.joule_per_kelvin == 86_016, "86 kJ/K for 16 cells of 280 Ah"
    assert (plan.warm_to_dc, plan.floor_permille, plan.charge_at_ms) == (80, 300, None)


def test_an_input_is_pulled_so_that_an_open_wire_is_idle_or_locks(
    tmp_path: Path,
) -> None:
    text = SMALL + "".join(
        f'[[input]]\nname = "{role}-{low}"\nrole = "{role}"\n{low}\n'
        for role in (InputRole.ACKNOWLEDGE, InputRole.GENERATOR_LOCKOUT)
        for low in ("",)
    )
    text += '[[input]]\nname = "low"\nrole = "generator-lockout"\nactive_low = true\n'
    pulls = {p.input: p.pull for p in loaded(tmp_path, text).input_pins}
    assert pulls == {"acknowledge-": "down", "generator-lockout-": "up", "low": "down"}


def test_quiet_hours_go_over_midnight(tmp_path: Path) -> None:
    text = SMALL + '[timing]\nquiet_hours = "22:00-07:00"\n'
    quiet = loaded(tmp_path, text).site.timing.quiet
    assert quiet is not None
    assert (quiet.from_ms, quiet.to_ms) == (22 * HOUR_MS, 7 * HOUR_MS)


@pytest.mark.parametrize(
    ("more", "key", "wrong"),
    [
        (HORN + "[output.generator]\n", "generator", "only for a generator-call"),
        (SET + "[output.heater]\nwatts = 5\n", "heater", "only for a heater-call"),
        (SET + "min_on_s = 5\n[output.generator]\n", "min_on_s", "beside"),
        (SET + "[output.generator]\ntries = 0\n", "tries", "0 does not fit"),
        (
            SET + "[output.generator]\nmin_run_min = 90\nmax_run_min = 60\n",
            "min_run_min",
            "longer than max_run_min",
        ),
        (
            SET + '[output.generator]\nemergency = ["low-sell"]\n',
            "emergency",
            "unknown rule 'low-sell'",
        ),
        (HEATER + 'skin = "attic/1"\n', "skin", "no pack of"),
        (HEATER + "skin_limit_c = 40\n", "skin_limit_c", "no skin sensor"),
        (HEATER + 'skin = "left/2"\nduty_on_min = 5\n', "duty_on_min", "limits it"),
        (HEATER + 'charge_at = "24:00"\n', "charge_at", "does not fit"),
        (HORN + "self_test_days = 2\n", "self_test_days", "no self_test_at"),
        (SET + 'self_test_at = "12:00"\n', "self_test_at", "only for a horn"),
        (
            HORN + 'self_test_at = "23:00"\n[timing]\nquiet_hours = "22:00-07:00"\n',
            "self_test_at",
            "within the quiet hours",
        ),
        ('[timing]\nquiet_hours = "07:00-07:00"\n', "quiet_hours", "when it begins"),
        (
            '[[output]]\nname = "x"\nrole = "generator-load"\n',
            "role",
            "no generator-call with",
        ),
        (RUNS + 'output = "set"\n', "output", "only a read-back"),
        (RUNS + "max_min = 5\n", "max_min", "only a maintenance switch"),
        ('[[input]]\nname = "b"\nrole = "read-back"\n', "output", "is missing"),
        (
            HORN + '[[input]]\nname = "b"\nrole = "read-back"\noutput = "hom"\n',
            "output",
            "unknown output 'hom'",
        ),
        (RUNS + RUNS, "name", "the name is taken"),
        (
            HORN + 'pin = "GPIO5"\n' + RUNS + 'pin = "GPIO5"\n',
            "pin",
            "GPIO5 drives an output",
        ),
        (RUNS + '[gpio]\npins = "lgpio"\n', "pin", "is missing"),
    ],
)
def test_what_does_not_fit_is_told_with_its_key(
    more: str, key: str, wrong: str, tmp_path: Path
) -> None:
    found = mistakes(tmp_path, SMALL + more)
    assert any(key in p.key and wrong in p.wrong for p in found), found


def test_too_little_known_of_a_set_is_a_doubt(tmp_path: Path) -> None:
    setup = loaded(tmp_path, SMALL + SET + "[output.generator]\n")
    said = " ".join(doubt.wrong for doubt in doubts(setup))
    assert "nothing at the set can keep set from starting" in said
    assert "only a charge current shows that set runs" in said


@pytest.mark.parametrize(
    ("more", "is_doubtful"),
    [
        ("", False),
        ("active_low = true\n", False),
        ('pull = "down"\n', True),
        ('pull = "none"\n', True),
        ('active_low = true\npull = "up"\n', True),
    ],
)
def test_a_lock_that_a_broken_wire_opens_is_a_doubt(
    more: str, tmp_path: Path, *, is_doubtful: bool
) -> None:
    lock = '[[input]]\nname = "lock"\nrole = "generator-lockout"\n'
    setup = loaded(tmp_path, SMALL + SET + lock + more)
    said = [doubt.wrong for doubt in doubts(setup)]
    assert ("a broken wire to lock leaves the set free to start" in said) is is_doubtful


@pytest.mark.parametrize(
    ("limit", "is_doubtful"), [("44.9", False), ("45.0", True), ("45.1", True)]
)
def test_a_heater_hotter_than_charge_allows_is_a_doubt(
    limit: str, tmp_path: Path, *, is_doubtful: bool
) -> None:
    text = SMALL + HEATER + f'skin = "left/4"\nskin_limit_c = {limit}\n'
    text += '[[rule]]\nname = "hot-charge"\ntrip_degc = 45.0\nclear_degc = 40.0\n'
    said = [doubt.wrong for doubt in doubts(loaded(tmp_path, text))]
    assert any("of any sensor" in each for each in said) is is_doubtful


def test_every_call_has_its_cautions(tmp_path: Path) -> None:
    plain = " ".join(cautions(loaded(tmp_path, SMALL + SET + HEATER)))
    for words in (
        "carbon monoxide",
        "indoors",
        "without warning",
        "cut-out",
        "lockout",
    ):
        assert words in plain
    assert cautions(loaded(tmp_path, SMALL + HORN)) == ()
    full = Path(__file__).parents[2] / "deploy" / "sites" / "fern-ridge-full.toml"
    assert any("prove dead" in each for each in cautions(load(full)))
