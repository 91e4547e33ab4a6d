"""`tocsin circuit`: a site, one circuit in arguments, JSON, the wiring sheet."""

from __future__ import annotations

import json
import re
from html.parser import HTMLParser
from pathlib import Path
from typing import Any
from xml.etree import ElementTree as ET

import pytest

from site_files import SMALL, written
from tocsin.cli import main

FERN_RIDGE = Path(__file__).parents[2] / "deploy" / "sites" / "fern-ridge-full.toml"
POOR = (
    SMALL
    + """\
[[output]]
name = "horn"
role = "horn"
pin = "GPIO4"
[output.circuit]
pull = "none"
load = "vehicle-horn"
driver = "opto"
input_ma = 5
contact_form = "normally-closed"
[[output]]
name = "lamp"
role = "beacon"
"""
)


def as_json(
    *words: str, capsys: pytest.CaptureFixture[str]
) -> tuple[int, dict[str, Any]]:
    code = main(["circuit", *words, "--json"])
    said: dict[str, Any] = json.loads(capsys.readouterr().out)
    return code, said


def test_a_site_with_sound_circuits_exits_0(
    capsys: pytest.CaptureFixture[str],
) -> None:
    assert main(["circuit", str(FERN_RIDGE)]) == 0
    said = capsys.readouterr().out
    assert "charge (charge-permit): 10 fine" in said
    assert "No SIL is claimed" in said
    assert "Local codes, the makers' sheets and licensed practice go before" in said


def test_an_unsafe_circuit_exits_1_and_says_what_to_change(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert main(["circuit", str(written(tmp_path, POOR))]) == 1
    said = " ".join(capsys.readouterr().out.split())
    assert "level at boot unsafe" in said
    assert "at boot GPIO4 is high" in said
    assert "lamp (beacon): no circuit stated" in said


def test_one_output_alone(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    path = str(written(tmp_path, POOR))
    code, said = as_json(path, "--output", "lamp", capsys=capsys)
    assert (code, said["rail"]) == (0, None)
    (lamp,) = said["outputs"]
    assert (lamp["output"], lamp["circuit"], lamp["verdict"]) == ("lamp", None, None)
    assert main(["circuit", path, "--output", "hron"]) == 2
    assert "no output 'hron'; did you mean 'horn'?" in capsys.readouterr().err


def test_json_has_everything_with_units(
    capsys: pytest.CaptureFixture[str],
) -> None:
    code, said = as_json(str(FERN_RIDGE), capsys=capsys)
    assert code == 0
    assert list(said) == ["site", "outputs", "rail", "cautions"]
    by_name = {each["output"]: each for each in said["outputs"]}
    heater = by_name["pack-heater"]
    assert heater["circuit"]["supply_high_v"] == 60.0
    drop = next(f for f in heater["findings"] if f["check"] == "volt drop")
    assert set(drop) == {
        *("check", "verdict", "key", "says", "change", "source", "figures")
    }
    # 2 x 0.017241 x (1 + 0.00393 x 40) x 3 / 2.5 x 5, NBS Handbook 100
    assert drop["figures"]["drop_v"] == pytest.approx(0.2394, abs=1e-4)
    assert "NBS Handbook 100" in drop["source"]
    assert said["rail"]["verdict"] == "fine"


def test_a_wrong_site_file_exits_2(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    path = written(tmp_path, POOR.replace('"none"', '"nnoe"'))
    assert main(["circuit", str(path)]) == 2
    assert ":12: output[horn].circuit.pull: unknown pull" in capsys.readouterr().err


# --- plain arguments -------------------------------------------------------------

HEATER = """
--chemistry lfp --cells 16 --capacity-ah 280 --role heater-call --pin GPIO27
--load heater --load-a 5 --load-min-v 40 --load-max-v 62 --length-m 3 --area-mm2 2.5
--conductor-c 60 --ambient-c 40 --insulation-c 105 --fuse-a 10 --fuse-v 80
--fuse-breaking-a 20000 --contact-v 32 --contact-a 10 --contact-rating resistive
--contacts-in-series 2 --contact-form normally-open --coil-ma 35 --flyback diode-zener
--driver transistor --pull down
"""


def test_one_circuit_in_arguments_is_judged_as_in_a_site(
    capsys: pytest.CaptureFixture[str],
) -> None:
    code, plain = as_json(*HEATER.split(), capsys=capsys)
    assert code == 0
    _, site = as_json(str(FERN_RIDGE), "--output", "pack-heater", capsys=capsys)
    ours, theirs = plain["outputs"][0]["findings"], site["outputs"][0]["findings"]
    assert [f["verdict"] for f in ours] == [f["verdict"] for f in theirs]
    by_check = {f["check"]: f for f in theirs}
    for finding in ours:
        if finding["check"] != "fuse, fault current":  # the site has two strings
            assert finding == by_check[finding["check"]]


def test_a_few_arguments_judge_what_can_be_judged(
    capsys: pytest.CaptureFixture[str],
) -> None:
    words = "--supply-v 24 --load-a 10 --length-m 5 --area-mm2 2.5 --conductor-c 20"
    code, said = as_json(*words.split(), capsys=capsys)
    assert code == 0
    verdicts = {f["check"]: f["verdict"] for f in said["outputs"][0]["findings"]}
    assert verdicts.pop("volt drop") == "fine"
    assert set(verdicts.values()) == {"unknown"}


def test_a_supply_s_own_range_may_be_given(capsys: pytest.CaptureFixture[str]) -> None:
    words = "--supply-low-v 20 --supply-high-v 29 --load-a 1 --length-m 1 --area-mm2 1"
    more = "--conductor-c 20 --load-min-v 19 --load-max-v 28.9"
    code, said = as_json(*words.split(), *more.split(), capsys=capsys)
    assert code == 1
    volts = said["outputs"][0]["findings"][-1]
    assert (volts["check"], volts["verdict"]) == ("volts at the load", "unsafe")


@pytest.mark.parametrize(
    ("words", "said"),
    [
        ("", "a site file, or a circuit in arguments"),
        ("--output horn --load-a 1", "a site file, or a circuit in arguments"),
        ("--load-a -1", "--load-a: -1.0 does not fit"),
        ("--pin GPIO28", "--pin: 'GPIO28' does not fit; a pin from GPIO0"),
        ("--cells 16", "--cells: chemistry and cells belong together"),
        ("--supply-low-v 9 --load-a 1", "--supply-low-v: a range has two ends"),
        ("--supply-low-v 9 --supply-high-v 8", "--supply-low-v: above supply_high_v"),
        ("--supply converter", "--supply-v: is missing"),
        ("--awg 14 --area-mm2 2", "--awg: both awg and area_mm2"),
        ("--insulation-c 70", "--insulation-c: 70 does not fit; what the insulation"),
        ("--no-relay --coil-ma 5", "--coil-ma: there is no relay here"),
        ("--length-m nan", "--length-m: nan does not fit"),
    ],
)
def test_wrong_arguments_exit_2_and_say_which(
    words: str, said: str, capsys: pytest.CaptureFixture[str]
) -> None:
    assert main(["circuit", *words.split()]) == 2
    assert said in capsys.readouterr().err


def test_a_site_and_arguments_do_not_mix(capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["circuit", str(FERN_RIDGE), "--load-a", "5"]) == 2
    assert "--load-a beside a site file" in capsys.readouterr().err


# --- the sheet -------------------------------------------------------------------


def sheet_of(site: Path, folder: Path) -> str:
    page = folder / "sheet.html"
    main(["circuit", str(site), "--sheet", str(page)])
    return page.read_text("utf-8")


class Tags(HTMLParser):
    """Every tag of a page, with its attributes."""

    def __init__(self, page: str) -> None:
        super().__init__()
        self.seen: list[tuple[str, dict[str, str | None]]] = []
        self.feed(page)

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.seen.append((tag, dict(attrs)))


def test_the_sheet_stands_alone(tmp_path: Path) -> None:
    page = sheet_of(FERN_RIDGE, tmp_path)
    tags = Tags(page).seen
    assert {tag for tag, _ in tags}.isdisjoint({"script", "link", "img", "iframe"})
    for _, attributes in tags:
        assert {"href", "src", "onload", "onclick"}.isdisjoint(attributes)
    assert "url(" not in page
    assert "@import" not in page
    assert "size: A4 landscape" in page


def test_the_sheet_has_every_part_of_every_output(tmp_path: Path) -> None:
    page = sheet_of(FERN_RIDGE, tmp_path)
    svg = ET.fromstring(re.search(r"<svg.*</svg>", page, re.DOTALL)[0])  # type: ignore[index]
    said = [text.text or "" for text in svg.iter("{http://www.w3.org/2000/svg}text")]
    for word in ("Pin", "Driver", "Coil", "Contact", "Cable", "Load"):
        assert word in said
    assert "Fuse, at source" in said
    for name in ("charge", "drying-room", "horn", "diesel-set", "heartbeat"):
        assert name in said
    assert said.count("GPIO25") == said.count("header pin 22") == 1
    for word in ("10k pull-down", "8 A at 30 V DC", "normally-open", "7.5 A"):
        assert word in said
    assert "the horn is silent" in said
    assert "Local codes, the makers&#x27; sheets and licensed practice" in page
    assert "exhaust kills indoors" in page
    assert "37.5 mA of the 50 mA" in page


def test_the_sheet_numbers_what_is_to_be_cleared(tmp_path: Path) -> None:
    page = sheet_of(written(tmp_path, POOR), tmp_path)
    notes = re.findall(r"<li><b>(.*?)</b>, (\w+) \(", page)
    assert ("horn", "unsafe") in notes
    assert ("all outputs", "unknown") in notes
    marks = re.findall(r">(?:unsafe|doubtful|unknown) ([\d,]+)</text>", page)
    numbers = sorted(int(n) for mark in marks for n in mark.split(","))
    assert numbers == list(range(1, sum(name == "horn" for name, _ in notes) + 1))
    assert "NOT SAFE BY ITSELF" in page
    assert "No circuit stated: lamp." in page


def test_a_name_cannot_break_the_sheet(tmp_path: Path) -> None:
    text = '[site]\nname = "a <script>b</script> & c"\n' + POOR
    page = sheet_of(written(tmp_path, text), tmp_path)
    assert "<script>" not in page
    assert "a &lt;script&gt;b" in page


def test_a_sheet_that_cannot_be_written_exits_1(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    page = tmp_path / "none" / "sheet.html"
    assert main(["circuit", str(FERN_RIDGE), "--sheet", str(page)]) == 1
    assert "was not written: No such file" in capsys.readouterr().err


def test_a_sheet_never_takes_the_place_of_a_site_file(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    path = written(tmp_path, POOR)
    with pytest.raises(SystemExit) as caught:
        main(["circuit", str(path), "--sheet", str(path)])
    assert caught.value.code == 2
    assert "does not end in .html" in capsys.readouterr().err
    assert path.read_text("utf-8") == POOR
