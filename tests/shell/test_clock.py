from __future__ import annotations

import asyncio

import pytest

from tocsin.clock import RealClock, SteppedClock, boot_id, day_ms, iso_time


def stepped(speed: float = 1e9) -> SteppedClock:
    return SteppedClock(speed=speed, start_wall_ms=1_000_000)


def test_stepped_time_goes_from_deadline_to_deadline() -> None:
    clock = stepped()
    seen: list[tuple[str, int]] = []

    async def member(name: str, every_ms: int) -> None:
        with clock.member():
            for n in range(1, 4):
                await clock.sleep_until(n * every_ms)
                seen.append((name, clock.now_ms()))

    async def main() -> None:
        await asyncio.gather(member("a", 1_000), member("b", 1_500))

    asyncio.run(main())
    assert [at_ms for _, at_ms in seen] == [1_000, 1_500, 2_000, 3_000, 3_000, 4_500]
    assert sorted(seen) == [
        *(("a", at_ms) for at_ms in (1_000, 2_000, 3_000)),
        *(("b", at_ms) for at_ms in (1_500, 3_000, 4_500)),
    ]


def test_stepped_time_waits_for_a_busy_member() -> None:
    clock = stepped()

    async def busy() -> None:
        with clock.member():
            for _ in range(50):
                await asyncio.sleep(0.001)
                assert clock.now_ms() == 0
            await clock.sleep_until(2_000)

    async def idle() -> None:
        with clock.member():
            await clock.sleep_until(1_000)

    async def main() -> None:
        await asyncio.gather(busy(), idle())

    asyncio.run(main())
    assert clock.now_ms() == 2_000
    assert clock.wall_ms() == 1_002_000


def test_an_item_is_taken_before_the_deadline_and_none_at_it() -> None:
    clock = stepped()
    queue: asyncio.Queue[str] = asyncio.Queue()

    async def taker() -> list[tuple[str | None, int]]:
        taken: list[tuple[str | None, int]] = []
        with clock.member():
            for until_ms in (1_000, 5_000, 5_000, 4_000):
                item = await clock.take(queue, until_ms)
                taken.append((item, clock.now_ms()))
        return taken

    async def giver() -> None:
        with clock.member():
            await clock.sleep_until(3_000)
            queue.put_nowait("bell")

    async def main() -> list[tuple[str | None, int]]:
        taken, _ = await asyncio.gather(taker(), giver())
        return taken

    assert asyncio.run(main()) == [
        (None, 1_000), ("bell", 3_000), (None, 5_000), (None, 5_000),
    ]  # fmt: skip


def test_no_item_is_lost_when_it_comes_with_the_deadline() -> None:
    clock = stepped()
    queue: asyncio.Queue[int] = asyncio.Queue()
    taken: list[int] = []

    async def taker() -> None:
        with clock.member():
            for second in range(1, 200):
                item = await clock.take(queue, second * 1_000)
                if item is not None:
                    taken.append(item)

    async def giver() -> None:
        with clock.member():
            for second in range(1, 100):
                await clock.sleep_until(second * 1_000)
                queue.put_nowait(second)

    async def main() -> None:
        await asyncio.gather(taker(), giver())

    asyncio.run(main())
    assert taken == list(range(1, 100))


def test_real_time_takes_an_item_and_gives_up_at_its_deadline() -> None:
    async def main() -> None:
        clock, queue = RealClock(), asyncio.Queue[str]()
        begun_ms = clock.now_ms()
        assert await clock.take(queue, begun_ms + 20) is None
        assert clock.now_ms() >= begun_ms + 20
        queue.put_nowait("bell")
        assert await clock.take(queue, clock.now_ms() + 10_000) == "bell"
        await clock.sleep_until(clock.now_ms() - 1)

    asyncio.run(main())


@pytest.mark.parametrize(
    ("wall_ms", "said"),
    [
        (0, "1970-01-01T00:00:00.000Z"),
        (1_709_210_096_007, "2024-02-29T12:34:56.007Z"),
    ],
)
def test_a_time_of_day_is_said_in_utc(wall_ms: int, said: str) -> None:
    assert iso_time(wall_ms) == said


def test_a_day_begins_at_midnight_in_utc() -> None:
    assert iso_time(day_ms(2026, 1, 16)) == "2026-01-16T00:00:00.000Z"


def test_the_boot_has_an_identity_here() -> None:
    assert len(boot_id()) == 36
