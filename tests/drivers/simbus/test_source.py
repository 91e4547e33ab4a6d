"""Driver ``simulated``: a pack in this process, read like any other."""

from __future__ import annotations

import asyncio
from importlib.metadata import entry_points

import pytest

from simbus_made import pack, settle
from tocsin.core.model import Flag, Sample
from tocsin.ports import DriverError, SourceSpec
from tocsin_drivers.simbus.source import build, sample_of


def spec(name: str = "left", cells: int = 16, **options: object) -> SourceSpec:
    return SourceSpec(name=name, driver="simulated", cells=cells, options=options)


def samples(*specs: SourceSpec) -> list[Sample]:
    async def read() -> list[Sample]:
        sources = build(specs)
        seen = []
        for each in specs:
            async with sources.open(each.name) as source:
                seen.append(await source.read())
        return seen

    return asyncio.run(read())


def test_the_driver_is_found_by_its_name() -> None:
    (found,) = entry_points(group="tocsin.sources", name="simulated")
    assert found.load() is build


@pytest.mark.parametrize("cells", [4, 8, 16])
def test_a_sample_is_whole_and_healthy(cells: int) -> None:
    (seen,) = samples(spec(cells=cells))
    assert len(seen.cells_mv) == len(seen.temps_dc) == cells
    assert all(3_200 < mv < 3_400 for mv in seen.cells_mv)
    assert all(190 < dc < 210 for dc in seen.temps_dc)
    assert seen.current_ma is not None
    assert seen.soc_permille == 500
    assert seen.charge_limit_ma
    assert seen.flags == frozenset()
    assert seen.voltage_mv == pytest.approx(sum(seen.cells_mv), rel=0.01)


def test_the_seed_of_the_site_file_decides_the_cells() -> None:
    one, same, other = samples(spec("a", seed=7), spec("b", seed=7), spec("c", seed=8))
    assert one.cells_mv != other.cells_mv
    gap = max(abs(x - y) for x, y in zip(one.cells_mv, same.cells_mv, strict=True))
    assert gap < 6  # alike cells; each pack's sensors have a noise of their own


def test_time_goes_on_between_two_readings() -> None:
    async def read() -> tuple[Sample, Sample]:
        sources = build([spec()])
        async with sources.open("left") as source:
            first = await source.read()
            await asyncio.sleep(1.1)
            return first, await source.read()

    first, second = asyncio.run(read())
    assert first.beat is not None
    assert second.beat is not None
    assert second.beat - first.beat in {1, 2}


def test_an_unknown_pack_is_a_driver_error() -> None:
    async def ask() -> None:
        async with build([spec()]).open("right"):
            pass

    with pytest.raises(DriverError, match="right"):
        asyncio.run(ask())


def test_an_unknown_option_is_refused_by_name() -> None:
    with pytest.raises(ValueError, match=r"left.*colour"):
        build([spec(colour="blue")])


def test_refused_charge_is_told_in_the_cores_words() -> None:
    made = pack(temp_c=3.0)
    settle(made)
    seen = sample_of(made.reading)
    assert seen.charge_limit_ma == 0
    assert seen.flags == {Flag.CHARGE_REFUSED, Flag.COLD_WARNING}
    assert seen.origin
