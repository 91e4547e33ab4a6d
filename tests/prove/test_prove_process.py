"""`tocsin prove` over a running daemon, with a scripted person at a terminal."""

from __future__ import annotations

import asyncio
import json
import os
import re
import signal
from typing import TYPE_CHECKING, Any

from prove_stage import Stage, stage, warden
from tocsin.journal import read
from tocsin.prove import plan, progress
from tocsin.prove.records import Record, Result
from tocsin_config import load
from tocsin_drivers.simbus.server import Fault

if TYPE_CHECKING:
    from pathlib import Path

    from prove_stage import Warden

GIVEN = ("--reason", "commissioning", "--person", "Ada", "--qualification", "fitter")
WHO = (*GIVEN, "--witness", "Ben", "--equipment", "meter 4711, due 2027-03")


def rows(on: Stage) -> list[dict[str, Any]]:
    return [json.loads(row.detail) for row in read(on.folder)]


def is_proving(seen: dict[str, Any]) -> bool:
    return seen["proving"] is not None and seen["proving"]["state"] == "proving"


async def end(person: Warden) -> int:
    """Answer what is asked at the end, and return the exit code."""
    await person.answer("all overrides removed", "y")
    await person.answer("Remarks", "dry and cold")
    await person.expect("Record to print and sign")
    return await person.leaves()


def test_a_person_proves_a_permit_and_a_horn(tmp_path: Path) -> None:
    async def main() -> None:
        async with stage(tmp_path) as on:
            names = ("--output", "charge", "--output", "horn", "--rule", "high-cell")
            async with warden(
                on, *names, "--rule", "hot-charge", "--reason", ""
            ) as ada:
                await ada.answer("Why is this test done", "c")
                await ada.answer("Your name", "Ada")
                for what in ("qualification", "Witness", "Test equipment"):
                    await ada.answer(what, "")
                await ada.answer("1 of 3: charge by high-cell(?s:.*)Ready", "y")
                await ada.expect("Pin after")
                seen = await on.until(is_proving)
                assert seen["proving"]["by"] == "Ada"
                (alarm,) = [a for a in seen["alarms"] if a.get("proving")]
                assert alarm["message"].startswith("Highest cell")
                assert [o["output"] for o in seen["outputs"] if o.get("proving")] == [
                    "charge"
                ]
                await ada.answer("Did you see or hear it", "y")
                await ada.answer("Volts or amperes", "0.02 A")
                await ada.answer("3 of 3: horn by hot-charge(?s:.*)Ready", "y")
                await ada.answer("see or hear", "y")
                await ada.answer("dB", "84 dB(A) at the bunk")
                assert await end(ada) == 0
            (record,) = on.records()
            by_item = {result["item"]: result for result in record["results"]}
            charge = by_item["charge by high-cell"]
            assert charge["verdict"] == "pass"
            assert 400 <= charge["measured_ms"] <= 1_400
            assert (charge["virtual"], charge["unit"]) == (3.6, "V")
            assert charge["measured"] == "0.02 A"
            assert by_item["charge by hot-charge"]["seen"] == "as with high-cell"
            assert by_item["horn by hot-charge"]["measured"] == "84 dB(A) at the bunk"
            assert (record["reason"], record["person"]) == ("commissioning", "Ada")
            assert record["witness"] == "not stated"
            assert record["remarks"] == "dry and cold"
            told = rows(on)
            assert [r["state"] for r in told if r["kind"] == "proof"][:3] == [
                *("begun", "crossed", "ended")
            ]
            alarms = [r for r in told if r["kind"] == "alarm"]
            assert alarms
            assert {r["proving"] for r in alarms} == {"cause"}
            assert not (on.folder / "prove-unfinished.json").exists()

    asyncio.run(main())


def test_what_fails_is_corrected_and_tested_again(tmp_path: Path) -> None:
    async def main() -> None:
        async with stage(tmp_path) as on:
            only = ("--output", "charge", "--rule", "high-cell", *WHO)
            async with warden(on, *only) as ada:
                await ada.answer("Ready", "y")
                await ada.answer("Did you see or hear it", "n")
                await ada.answer("What is wrong", "relay sticks")
                await ada.answer("Corrected, and to be tested again", "y")
                await ada.answer("What was done", "relay changed")
                await ada.answer("Did you see or hear it", "y")
                await ada.answer("Volts or amperes", "")
                assert await end(ada) == 0
            async with warden(on, *only) as ada:
                await ada.answer("Ready", "y")
                await ada.answer("Did you see or hear it", "n")
                await ada.answer("What is wrong", "")
                await ada.answer("Corrected, and to be tested again", "n")
                assert await end(ada) == 1
            first, second = on.records()
            (result,) = first["results"]
            assert result["effect_verdict"] == "fail"
            assert (result["deficiency"], result["correction"]) == (
                *("relay sticks", "relay changed"),
            )
            assert (result["retest_verdict"], result["verdict"]) == ("pass", "pass")
            assert second["verdict"] == "fail"
            assert second["next_due_ms"] <= second["ended_ms"] + 7 * 86_400_000
            code, told = await on.prove("--history")
            assert code == 0
            assert told.count("fail ") == 1

    asyncio.run(main())


def test_a_real_alarm_and_a_lost_source_end_the_step_at_once(tmp_path: Path) -> None:
    async def main() -> None:
        async with stage(tmp_path) as on:
            async with warden(on, "--output", "horn", *WHO) as ada:
                await ada.answer("Ready", "y")
                await ada.expect("low-cell of(?s:.*)It ends by itself")
                await on.until(is_proving)
                on.whole.cell("right", 3, 3_650)
                await ada.expect("yielding: high-cell")
                on.whole.cell("right", 3, 3_300)
                await ada.answer("hot-charge(?s:.*)Did you see or hear it", "s")
                assert await end(ada) == 0
            async with warden(
                on, "--output", "horn", "--rule", "low-cell", *WHO
            ) as ada:
                await ada.answer("Ready", "y")
                await ada.expect("low-cell of(?s:.*)It ends by itself")
                await on.until(is_proving)
                on.whole.devices["left"].break_down(Fault.DEAD)
                await ada.expect("yielding: left is lost")
                on.whole.devices["left"].repair()
                assert await end(ada) == 0
            one, other = on.records()
            assert [r["verdict"] for r in one["results"]] == ["untested", "untested"]
            assert "high-cell of right" in one["results"][0]["why"]
            assert one["results"][0]["measured_ms"] is None
            assert other["results"][0]["why"] == "yielding: left is lost"
            meanwhile = [r for r in rows(on) if r.get("proving") == "meanwhile"]
            assert any(
                r["kind"] == "source" and r["state"] == "lost" for r in meanwhile
            )

    asyncio.run(main())


def test_ctrl_c_and_kill_end_the_injection_and_the_next_goes_on(tmp_path: Path) -> None:
    async def main() -> None:
        async with stage(tmp_path) as on:
            names = (
                "--output",
                "charge",
                "--rule",
                "high-cell",
                "--rule",
                "hot-charge",
            )
            async with warden(on, *names, *WHO) as ada:
                await ada.answer("Ready", "y")
                await ada.answer("Did you see or hear it", "y")
                await ada.answer("Volts or amperes", "")
                await ada.expect("2 of 2|hot-charge")
            assert (on.folder / "prove-unfinished.json").exists()
            await on.until(lambda seen: not is_proving(seen))
            async with warden(on, *names, *WHO, "--resume") as ada:
                await ada.answer("1 of 2 tests are done(?s:.*)Ready", "y")
                assert await end(ada) == 0
            again = ("--output", "horn", "--rule", "low-cell")
            async with warden(on, *again, *WHO) as ada:
                await ada.answer("Ready", "y")
                await ada.expect("It ends by itself")
                await on.until(is_proving)
                os.kill(ada.process.pid, signal.SIGKILL)
                await on.until(lambda seen: not is_proving(seen))
            async with warden(on, *again, *WHO) as ada:
                await ada.answer("An unfinished test(?s:.*)0 of 1", "y")
                await ada.answer("Ready", "y")
                await ada.expect("It ends by itself")
                await on.until(is_proving)
                ada.process.send_signal(signal.SIGINT)
                await ada.expect("Stopped")
                assert await ada.leaves() == 130
                await on.until(lambda seen: not is_proving(seen))
            async with warden(on, *again, *WHO, "--resume") as ada:
                await ada.answer("Ready", "y")
                await ada.answer("Did you see or hear it", "q")
                await ada.expect("What was done is kept")
                assert await ada.leaves() == 1
            reasons = [r["text"] for r in rows(on) if r.get("state") == "ended"]
            assert "whoever proved has gone" in reasons
            assert [len(record["results"]) for record in on.records()] == [2]
            code, told = await on.prove(*again, "--unattended")
            assert (code, "a guided test is unfinished" in told) == (1, True)

    asyncio.run(main())


def test_what_only_hands_can_do_is_asked_for_and_watched(tmp_path: Path) -> None:
    async def main() -> None:
        async with stage(tmp_path) as on:
            by_hand(on)
            async with warden(on, *WHO, "--resume") as ada:
                await by_hand_to_the_end(on, ada)
                assert await end(ada) == 0
            (record,) = on.records()
            by_kind: dict[str, list[dict[str, Any]]] = {}
            for result in record["results"]:
                by_kind.setdefault(result["kind"], []).append(result)
            assert {r["verdict"] for r in by_kind["wire"]} == {"pass"}
            left, right = by_kind["source"]
            assert left["verdict"] == "pass", left
            assert "loads shed" in left["measured"]
            assert right["why"] == "skipped"
            (process,) = by_kind["process"]
            assert process["verdict"] == "pass", process
            assert "an end without a stop" in process["measured"]

    asyncio.run(main())


def by_hand(on: Stage) -> None:
    """Leave only what hands do in the unfinished test, so that it is quick."""
    setup = load(on.site)
    items = plan.whole(setup.site)
    done = [
        Result(item=item.name, kind="rule", output=item.output, rule=item.rule)
        for item in items
        if item.kind == "rule"
    ]
    record = Record(
        site=setup.site.name,
        site_file=str(on.site),
        site_sha256=setup.sha256,
        software="tocsin",
        started_ms=1_800_000_000_000,
        reason="commissioning",
        person="Ada",
        qualification="fitter",
        witness="Ben",
        equipment="none",
        is_rehearsal=True,
        results=done,
    )
    progress.save(on.folder, record)


async def by_hand_to_the_end(on: Stage, ada: Warden) -> None:
    for _ in ("charge", "lights"):
        await ada.answer("Wire pulled", "y")
        await ada.answer("Put the wire back", "y")
    await ada.answer("Get ready to pull the data cable of left", "y")
    await ada.expect("Pull it now")
    on.whole.devices["left"].break_down(Fault.DEAD)
    await ada.expect("Plug the cable in again")
    on.whole.devices["left"].repair()
    ada.type("y\n")
    await ada.answer("Get ready to pull the data cable of right", "s")
    await ada.expect(r"kill -9 \d+")
    found = re.findall(r"kill -9 (\d+)", ada.heard)
    assert on.process is not None
    assert int(found[-1]) == on.process.pid
    await ada.answer("Ready to kill it", "y")
    await ada.expect("waiting for its end")
    await on.kill()
    await ada.answer("Did every permit drop", "y")
    await ada.answer("What did the outputs do", "")
    await ada.expect("Start it again")
    await on.start()


def test_unattended_it_measures_pins_and_its_due_date_becomes_an_alarm(
    tmp_path: Path,
) -> None:
    async def main() -> None:
        async with stage(tmp_path) as on:
            rules = ("--rule", "hot-charge", "--rule", "beat-lost")
            short = ("--interval", "1s")
            code, told = await on.prove("--unattended", *rules, *short)
            assert code == 0, told
            (record,) = on.records()
            assert record["is_unattended"]
            pins = {r["item"]: r["pin_verdict"] for r in record["results"]}
            assert pins == {
                "charge by hot-charge": "pass",
                "charge by beat-lost": "pass",
                "lights by beat-lost": "pass",
                "horn by hot-charge": "pass",
            }
            assert {r["effect_verdict"] for r in record["results"]} == {"untested"}
            together = "measured together with another output of this rule"
            assert record["results"][-1]["as_found"] == together
            await on.until(is_due)
            on.site.write_text(on.site.read_text() + "# another limit\n")
            code, told = await on.prove("--unattended")
            assert (code, "start it again first" in told) == (1, True)
            await on.kill(signal.SIGTERM)
            await on.start()
            await on.until(is_due)

    asyncio.run(main())


def is_due(seen: dict[str, Any]) -> bool:
    return any(
        alarm["alarm"] == "proof-due" and alarm["priority"] == "low"
        for alarm in seen["alarms"]
    )
