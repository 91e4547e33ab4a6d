"""Sound site files: what they come to."""

from __future__ import annotations

import hashlib
from pathlib import Path

import pytest

from site_files import SMALL, loaded, written
from tocsin.core.model import Flag, Value
from tocsin.core.rules import Action, Gate, Measure, Priority, Role
from tocsin.ports import (
    BrokerSpec,
    CanLine,
    PageSpec,
    SerialLine,
    SourceSpec,
    TcpLine,
)
from tocsin.registers import Point, PointRole, RegisterMap, RegisterType
from tocsin_config import doubts, load

CONTRACT = """\
[site]
name = "Fern Ridge hut"
[bank]
chemistry = "lfp"          # a preset
capacity_ah = 280          # nameplate of one pack
cells_in_series = 16       # of one pack
[protection]               # the battery's own protector: what we must be ahead of
low_cell_v = 2.80
high_cell_v = 3.75
cold_charge_c = 5.0
[charging]
absorption_v = 55.2        # what the chargers are set to, of one pack; optional
[forecast]
lead_min = 15
[[pack]]
name = "left"
driver = "sunspec"         # host, port, unit   or   serial, baud, parity, unit
host = "127.0.0.1"
port = 1502
unit = 1
[[pack]]
name = "right"
driver = "trace"           # exists in recordings only; needs nothing more
[[output]]
name = "charge"
role = "charge-permit"     # load-permit (with stage), horn, beacon, generator-call
pin = "GPIO17"             # optional while pins are simulated
[gpio]
pins = "simulated"         # or "lgpio"
[journal]
folder = "/var/lib/tocsin"
[mqtt]
host = "127.0.0.1"
port = 1883
[page]
host = "127.0.0.1"
port = 8460
"""

MAP = """\
max_gap = 4
[[point]]
cells = "1..8 at 0x1000 step 2"
scale = 0.001
[[point]]
cells = "9..16 at 4112"
absent = [0xFFFF]
low = 0.5
high = 5
[[point]]
role = "current"
address = 0x20
function = 4
type = "s32"
word_order = "little"
byte_order = "little"
scale = 0.1
offset = -5
[[point]]
role = "flags"
address = 0x30
type = "bits"
bits = { "low-voltage-trip" = 0, "cold-trip" = 15 }
active_low = true
[[point]]
role = "constant"
address = 0x40
expect = 0x5375
"""


def test_the_contract_example_is_accepted_as_it_stands(tmp_path: Path) -> None:
    setup = loaded(tmp_path, CONTRACT)
    assert setup.site.name == "Fern Ridge hut"
    assert [p.name for p in setup.site.bank.packs] == ["left", "right"]
    assert setup.site.bank.capacity_mah == 280_000
    assert setup.sources == (
        SourceSpec(
            name="left",
            driver="sunspec",
            cells=16,
            line=TcpLine(host="127.0.0.1", port=1502),
            options={"base": None, "current_sign": "charge-positive"},
        ),
        SourceSpec(name="right", driver="trace", cells=16),
    )
    assert [(p.output, p.pin) for p in setup.pins] == [("charge", "GPIO17")]
    assert setup.pins_driver == "simulated"
    assert setup.journal_folder == Path("/var/lib/tocsin")
    assert setup.broker == BrokerSpec(host="127.0.0.1", port=1883)
    assert setup.page == PageSpec(host="127.0.0.1", port=8460)
    assert (setup.lead_min, setup.absorption_v) == (15, 55.2)


def test_a_page_takes_its_files_from_beside_the_site_file(tmp_path: Path) -> None:
    page = '[page]\nnames = ["hut.example"]\ntoken_file = "token"\n'
    tls = 'certificate = "hut.pem"\nkey = "hut.key"\n'
    assert loaded(tmp_path, SMALL + page + tls).page == PageSpec(
        names=("hut.example",),
        token_file=tmp_path / "token",
        certificate=tmp_path / "hut.pem",
        key=tmp_path / "hut.key",
    )
    assert loaded(tmp_path, SMALL + "[page]\nenabled = false\n").page is None


@pytest.mark.parametrize(
    ("spec", "url"),
    [
        (PageSpec(), "http://127.0.0.1:8460/"),
        (PageSpec(host="0.0.0.0", port=80), "http://localhost:80/"),
        (PageSpec(host="::1"), "http://[::1]:8460/"),
        (PageSpec(host="hut", certificate=Path("c")), "https://hut:8460/"),
    ],
)
def test_a_page_says_what_a_browser_asks_for(spec: PageSpec, url: str) -> None:
    assert spec.url == url


def test_the_sample_site_is_the_contract_example() -> None:
    sample = Path(__file__).parents[2] / "deploy" / "sites" / "fern-ridge.toml"
    setup = load(sample)
    assert setup.site.name == "Fern Ridge hut"
    assert len(setup.sources) == 2


def test_the_full_sample_site_leaves_no_doubt() -> None:
    sites = Path(__file__).parents[2] / "deploy" / "sites"
    setup = load(sites / "fern-ridge-full.toml")
    assert doubts(setup) == ()
    assert {output.role for output in setup.site.outputs} == set(Role)


def test_the_sample_site_on_can_hears_every_cell_and_lacks_nothing_for_permits() -> (
    None
):
    sites = Path(__file__).parents[2] / "deploy" / "sites"
    setup = load(sites / "fern-ridge-can.toml")
    assert [spec.name for spec in setup.sources] == ["left", "right"]
    for spec in setup.sources:
        roles = [signal.role for signal in spec.options["signals"].signals]
        assert roles.count(PointRole.CELL) == roles.count(PointRole.TEMPERATURE) == 16
    assert not any("cannot work" in doubt.wrong for doubt in doubts(setup))


def test_the_sample_site_of_a_mixed_bank_is_lent_a_current_by_its_shunt() -> None:
    sites = Path(__file__).parents[2] / "deploy" / "sites"
    setup = load(sites / "fern-ridge-mixed.toml")
    (shunt,) = setup.site.extras
    assert (shunt.of, shunt.values) == ("bank", (Value.CURRENT,))
    assert {type(each.line) for each in (*setup.sources, *setup.extras)} == {
        TcpLine,
        SerialLine,
        CanLine,
    }


def test_a_missing_table_means_its_defaults(tmp_path: Path) -> None:
    setup = loaded(tmp_path)
    assert setup.site.name == "site"
    assert setup.broker is None
    assert (setup.poll_ms, setup.lead_min, setup.absorption_v) == (1_000, 15, None)
    assert setup.page == PageSpec(host="127.0.0.1", port=8_460)
    assert setup.site.chemistry.name == "lfp"
    assert setup.site.low_cut_mv == 2_800
    assert setup.site.high_cut_mv == 3_750
    assert setup.site.cold_charge_dc == 50
    assert setup.site.timing.stale_ms == 10_000


def test_a_chemistry_brings_its_own_protector(tmp_path: Path) -> None:
    text = SMALL.replace("[bank]", '[bank]\nchemistry = "nmc"')
    site = loaded(tmp_path, text).site
    assert (site.low_cut_mv, site.high_cut_mv, site.cold_charge_dc) == (3_000, 4_250, 0)


def test_timing_is_in_the_units_of_the_core(tmp_path: Path) -> None:
    text = SMALL + (
        "[timing]\npoll_s = 0.5\nstale_s = 7\ngood_scans = 3\nshed_settle_s = 1\n"
        "shed_confirm_s = 9\nrestore_gap_s = 60\nrestore_pct = 7.5\n"
        "horn_cap_s_per_hour = 120\n"
    )
    setup = loaded(tmp_path, text)
    timing = setup.site.timing
    assert setup.poll_ms == 500
    assert (timing.stale_ms, timing.good_scans, timing.shed_settle_ms) == (
        7000,
        3,
        1000,
    )
    assert (timing.shed_confirm_ms, timing.restore_gap_ms) == (9_000, 60_000)
    assert (timing.restore_permille, timing.horn_cap_ms) == (75, 120_000)


def test_lost_data_counts_from_the_stale_time(tmp_path: Path) -> None:
    setup = loaded(tmp_path, SMALL + "[timing]\nstale_s = 7\n")
    rule = next(r for r in setup.site.rules if r.name == "source-lost")
    assert rule.measure is Measure.DATA_AGE
    assert [rule.is_beyond(age_ms) for age_ms in (6_999, 7_000, 7_001)] == [
        False,
        True,
        True,
    ]


def test_outputs_have_the_minimum_times_of_their_role(tmp_path: Path) -> None:
    text = SMALL + "".join(
        f'[[output]]\nname = "o-{role}"\nrole = "{role}"\n'
        + ("stage = 1\n" if role is Role.LOAD_PERMIT else "")
        for role in Role
        if role is not Role.GENERATOR_LOAD
    )
    times = {
        o.role: (o.min_on_ms, o.min_off_ms, o.hold_ms)
        for o in loaded(tmp_path, text).site.outputs
    }
    assert times[Role.CHARGE_PERMIT] == (0, 60_000, 300_000)
    assert times[Role.LOAD_PERMIT] == (0, 60_000, 300_000)
    assert times[Role.GENERATOR_CALL] == (1_800_000, 600_000, 300_000)
    assert times[Role.HORN] == times[Role.BEACON] == (0, 0, 300_000)


def test_an_output_keeps_what_the_file_says(tmp_path: Path) -> None:
    text = SMALL + (
        '[[output]]\nname = "huts"\nrole = "load-permit"\nstage = 2\nhold_s = 30\n'
        'min_off_s = 5\npin = "GPIO22"\nactive_low = true\n'
        '[[output]]\nname = "set"\nrole = "generator-call"\nmin_on_s = 60\n'
        'rules = ["low-cell-early"]\n'
    )
    setup = loaded(tmp_path, text)
    load_output, call = setup.site.outputs
    assert (load_output.stage, load_output.hold_ms, load_output.min_off_ms) == (
        2,
        30_000,
        5_000,
    )
    assert (setup.pins[0].pin, setup.pins[0].active_low) == ("GPIO22", True)
    assert (call.min_on_ms, call.rules) == (60_000, frozenset({"low-cell-early"}))


def test_packs_of_one_string_are_in_series(tmp_path: Path) -> None:
    more = '[[pack]]\nname = "b"\ndriver = "trace"\nstring = "A"\n'
    text = SMALL.replace('"trace"', '"trace"\nstring = "A"') + more
    assert loaded(tmp_path, text).site.bank.strings == ("A",)


def test_a_serial_line_has_the_settings_of_the_protocol(tmp_path: Path) -> None:
    """19,200 baud and even parity: Modbus over Serial Line 1.02, from memory."""
    text = SMALL.replace('"trace"', '"sunspec"\nserial = "/dev/ttyUSB0"\nunit = 9')
    source = loaded(tmp_path, text).sources[0]
    assert source.line == SerialLine(device="/dev/ttyUSB0", baud=19_200, parity="E")
    assert source.unit == 9


def test_sunspec_options_reach_the_driver(tmp_path: Path) -> None:
    text = SMALL.replace(
        '"trace"',
        '"sunspec"\nhost = "h"\nbase = 40000\ncurrent_sign = "discharge-positive"\n'
        'framing = "rtu"\ntimeout_s = 0.5\nretries = 0',
    )
    source = loaded(tmp_path, text).sources[0]
    assert source.options == {"base": 40_000, "current_sign": "discharge-positive"}
    assert source.line == TcpLine(host="h", port=502, framing="rtu")
    assert (source.timeout_ms, source.retries) == (500, 0)


def test_a_map_beside_the_site_file_becomes_registers(tmp_path: Path) -> None:
    written(tmp_path, MAP, "map.toml")
    text = SMALL.replace('"trace"', '"modbus-map"\nhost = "h"\nmap = "map.toml"')
    made = loaded(tmp_path, text).sources[0].options["map"]
    cell, current = PointRole.CELL, PointRole.CURRENT
    assert made == RegisterMap(
        max_gap=4,
        points=(
            Point(role=cell, address=0x1000, count=8, step=2, scale=0.001),
            Point(
                role=cell,
                address=4112,
                count=8,
                absent=(0xFFFF,),
                low=0.5,
                high=5,
            ),
            Point(
                role=current,
                address=0x20,
                function=4,
                type=RegisterType.S32,
                step=2,
                big_words=False,
                big_bytes=False,
                scale=0.1,
                offset=-5,
            ),
            Point(
                role=PointRole.FLAGS,
                address=0x30,
                type=RegisterType.BITS,
                bits=((0, Flag.LOW_VOLTAGE_TRIP), (15, Flag.COLD_TRIP)),
                active_low=True,
            ),
            Point(role=PointRole.CONSTANT, address=0x40, expect=0x5375),
        ),
    )


def test_a_map_may_stand_in_the_site_file(tmp_path: Path) -> None:
    inline = MAP.replace("max_gap", "[pack.map]\nmax_gap").replace(
        "[[point]]", "[[pack.map.point]]"
    )
    own = SMALL.replace('"trace"', '"modbus-map"\nhost = "h"') + inline
    beside = SMALL.replace('"trace"', '"modbus-map"\nhost = "h"\nmap = "map.toml"')
    written(tmp_path, MAP, "map.toml")
    first = loaded(tmp_path, own).sources[0].options["map"]
    assert first == loaded(tmp_path, beside).sources[0].options["map"]


def test_the_hash_is_of_every_byte_that_was_read(tmp_path: Path) -> None:
    path = written(tmp_path, MAP, "map.toml")
    text = SMALL.replace('"trace"', '"modbus-map"\nhost = "h"\nmap = "map.toml"')
    before = loaded(tmp_path, text).sha256
    assert before == hashlib.sha256(text.encode() + MAP.encode()).hexdigest()
    path.write_text(MAP + "# a remark\n")
    assert loaded(tmp_path, text).sha256 != before


def test_the_hash_of_a_lone_file_is_the_files(tmp_path: Path) -> None:
    assert loaded(tmp_path).sha256 == hashlib.sha256(SMALL.encode()).hexdigest()


def test_a_mark_at_the_start_of_the_file_does_no_harm(tmp_path: Path) -> None:
    assert loaded(tmp_path, "\ufeff" + SMALL).site.bank.capacity_mah == 280_000


def test_names_beside_the_site_file_are_found_from_there(tmp_path: Path) -> None:
    text = SMALL + (
        '[journal]\nfolder = "data"\n[mqtt]\nusername = "hut"\npassword_file = "pw"\n'
    )
    setup = loaded(tmp_path, text)
    assert setup.journal_folder == tmp_path / "data"
    assert setup.broker is not None
    assert setup.broker.password_file == tmp_path / "pw"


def test_a_rule_overrides_single_fields(tmp_path: Path) -> None:
    plain = {r.name: r for r in loaded(tmp_path).site.rules}["high-cell"]
    text = SMALL + (
        '[[rule]]\nname = "high-cell"\ntrip_v = 3.55\npriority = "medium"\n'
        'on_delay_s = 4\nactions = ["charge-permit", "heater-call"]\n'
    )
    own = {r.name: r for r in loaded(tmp_path, text).site.rules}["high-cell"]
    assert (own.trip_at, own.clear_at) == (3_550, plain.clear_at)
    assert (own.priority, own.on_delay_ms) == (Priority.MEDIUM, 4_000)
    assert own.actions == (
        Action(role=Role.CHARGE_PERMIT),
        Action(role=Role.HEATER_CALL),
    )
    assert (own.cause, own.off_delay_ms) == (plain.cause, plain.off_delay_ms)


def test_a_rule_out_of_service_is_gone_and_suppresses_nothing(tmp_path: Path) -> None:
    text = SMALL + '[[rule]]\nname = "cold-charge"\nenabled = false\n'
    rules = {r.name: r for r in loaded(tmp_path, text).site.rules}
    assert "cold-charge" not in rules
    assert "cold-charge" not in rules["protector-refuses-charge"].suppressed_by


def test_a_rule_of_a_new_name_is_a_whole_rule(tmp_path: Path) -> None:
    text = SMALL + (
        '[[rule]]\nname = "night-draw"\nmeasure = "discharge-current"\n'
        "trip_a = 40\nclear_rate = 0.1\nactions = ['load-permit', 'load-permit/2']\n"
        'gate = { measure = "lowest-cell", at_most_v = 3.2, at_least_v = 2.9 }\n'
        "latching = true\nmax_shelve_s = 60\nrealarm_s = 90\n"
    )
    rule = loaded(tmp_path, text).site.rules[-1]
    assert (rule.name, rule.trip_at, rule.clear_at) == ("night-draw", 40_000, 28_000)
    assert rule.actions == (
        Action(role=Role.LOAD_PERMIT),
        Action(role=Role.LOAD_PERMIT, stage=2),
    )
    assert rule.gate == Gate(measure=Measure.LOWEST_CELL, at_least=2_900, at_most=3_200)
    assert (rule.latching, rule.max_shelve_ms, rule.realarm_ms) == (
        True,
        60_000,
        90_000,
    )


def test_a_limit_of_ones_own_is_taken_as_written(tmp_path: Path) -> None:
    text = SMALL + '[[rule]]\nname = "low-cell"\ntrip_v = 2.75\nclear_v = 2.95\n'
    rule = {r.name: r for r in loaded(tmp_path, text).site.rules}["low-cell"]
    assert (rule.trip_at, rule.clear_at) == (2_750, 2_950)
