"""The snapshot says of each value who said it, and how long ago."""

from __future__ import annotations

import io
from typing import Any

from rich.console import Console

from core_mixed import Bench, extra, meter, mixed, says
from tocsin.cli.scene import scene
from tocsin.core.events import SourceFact
from tocsin.core.model import Value
from tocsin.show import show_json
from tocsin.wire import fact_json, fact_words

WALL_MS = 1_768_586_400_000


def bench() -> Bench:
    """Left says its current itself; right is lent one, and a charge by the meter."""
    made = Bench(mixed(extra("shunt"), extra("meter", "right", Value.SOC)))
    made.play(
        says(1_000, "left", -30_000, origin=(("current_ma", "802.A"),)),
        meter(2_000, current_ma=-50_000, origin=(("current_ma", "s32 at 0x0100"),)),
        meter(2_500, "meter", soc_permille=640),
        says(4_000, "right", None),
    )
    return made


def shown(of: Bench) -> dict[str, Any]:
    return show_json(of.outcomes[-1], of.site, wall_ms=WALL_MS)


def read(of: Bench) -> str:
    out = io.StringIO()
    Console(file=out, width=120, color_system=None).print(scene(shown(of), of.site))
    return out.getvalue()


def test_every_known_value_has_its_source_its_origin_and_its_age() -> None:
    left, right = (pack["values"] for pack in shown(bench())["packs"])
    assert left["current_a"] == {"source": "left", "origin": "802.A", "age_s": 3.0}
    assert right["current_a"] == {
        "source": "shunt",
        "origin": "s32 at 0x0100",
        "age_s": 3.0,  # of the older of the two that it is worked out from
    }
    assert right["soc_pct"] == {"source": "meter", "origin": None, "age_s": 1.5}
    assert right["cells_v"] == {"source": "right", "origin": None, "age_s": 0.0}
    assert "voltage_v" not in right


def test_a_current_that_was_divided_evenly_says_so() -> None:
    made = Bench(mixed())
    made.hear(left=None, right=None, shunt=-50_000)
    for pack in shown(made)["packs"]:
        assert pack["values"]["current_a"]["shared_by"] == 2
        assert pack["current_a"] == -25.0


def test_sources_beside_the_packs_own_are_shown_until_they_are_lost() -> None:
    made = bench()
    shunt, meter_ = shown(made)["sources"]
    assert (shunt["name"], shunt["of"], shunt["gives"]) == (
        "shunt",
        "bank",
        ["current"],
    )
    assert (shunt["online"], shunt["age_s"], shunt["current_a"]) == (True, 2.0, -50.0)
    assert meter_["soc_pct"] == 64.0
    made.silent()
    made.tick(13_000)
    shunt, _ = shown(made)["sources"]
    assert (shunt["online"], shunt["current_a"]) == (False, None)
    assert shunt["trouble"] == "no answer"


def test_a_person_reads_who_said_it() -> None:
    made = bench()
    text = read(made)
    assert "-20 A by shunt" in text
    assert "64 % by meter" in text
    assert "-30 A by" not in text
    assert "shunt of bank  -50.0 A" in text
    made.silent()
    made.tick(13_000)
    assert "shunt of bank no data no answer" in read(made)


def test_the_alarm_of_a_lost_source_is_shown_with_what_is_blind() -> None:
    made = bench()
    made.tick(12_000)
    (alarm,) = [a for a in shown(made)["alarms"] if a["alarm"] == "extra-source-lost"]
    assert alarm["subject"] == "shunt"
    assert "Nothing else says the current of right" in alarm["message"]


def test_a_fact_says_whether_a_source_is_a_pack_s_own() -> None:
    own = SourceFact(at_ms=0, pack="left", state="lost", reason="silent")
    beside = SourceFact(
        at_ms=0, pack="shunt", state="lost", reason="silent", is_extra=True
    )
    assert "extra" not in fact_json(own)
    assert fact_json(beside)["extra"] is True
    assert fact_words(fact_json(own)) == "pack left lost: silent"
    assert fact_words(fact_json(beside)) == "source shunt lost: silent"
