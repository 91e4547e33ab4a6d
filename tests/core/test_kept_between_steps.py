"""What a step keeps so as not to look through everything is what looking would find."""

from __future__ import annotations

from hypothesis import given
from hypothesis import strategies as st

from tocsin.core.alarm import NEVER_MS
from tocsin.core.bank import string_currents_ma
from tocsin.core.chunks import SHIFT, SIZE, Chunks, Draft, Moments
from tocsin.core.levels import is_sighted
from tocsin.core.measures import PackState
from tocsin.core.model import Bank, Lent, Pack, Sample, Value
from tocsin.core.packs import Packs
from tocsin.core.site import Site

PLACES = 4
SITE = Site(
    name="Fern Ridge hut",
    bank=Bank(
        packs=tuple(
            Pack(name=f"pack-{i}", cells=16, string="ab"[i % 2]) for i in range(PLACES)
        ),
        capacity_mah=100_000,
    ),
    rules=(),
)
SHARED = Lent(value=Value.CURRENT, number=1, by="shunt", at_ms=0, shared=2)

samples = st.builds(
    Sample,
    cells_mv=st.sampled_from([(3_300,) * 16, (3_600,) * 16]),
    current_ma=st.none() | st.integers(-40_000, 40_000),
)
packs = st.builds(
    PackState,
    heard_ms=st.integers(0, 20_000),
    online=st.booleans(),
    good=st.integers(0, 9),
    sample=st.none() | samples,
    lent=st.sampled_from([(), (), (), (SHARED,)]),
)


def _shares_permille(row: tuple[PackState, ...]) -> dict[str, int]:
    """Compare strings with their mean, from 0.1C of 100 Ah packs on."""
    currents = string_currents_ma(row, SITE)
    if currents is None or any(lent.shared > 1 for pack in row for lent in pack.lent):
        return {}
    mean_ma = sum(currents.values()) // len(currents)
    if abs(mean_ma) < 10_000:
        return {}
    return {
        string: abs(current_ma - mean_ma) * 1_000 // abs(mean_ma)
        for string, current_ma in currents.items()
    }


@given(
    st.lists(packs, min_size=PLACES, max_size=PLACES),
    st.lists(st.tuples(st.integers(0, PLACES - 1), packs)),
)
def test_what_is_kept_of_packs_is_what_a_look_at_all_of_them_finds(
    first: list[PackState], changes: list[tuple[int, PackState]]
) -> None:
    kept = Packs(first, SITE, None)
    for i, pack in changes:
        kept = Packs(kept.row(), SITE, kept.tally())
        kept[i] = pack
    assert kept.tally() == Packs(kept.row(), SITE, None).tally()
    assert kept.are_sighted == is_sighted(kept, SITE)
    assert kept.shares_permille() == _shares_permille(tuple(kept))


@given(
    st.lists(st.integers(), max_size=3 * SIZE),
    st.lists(st.tuples(st.integers(0, 3 * SIZE), st.integers())),
)
def test_a_row_with_members_replaced_is_the_tuple_with_them_replaced(
    row: list[int], changes: list[tuple[int, int]]
) -> None:
    new = {i: member for i, member in changes if i < len(row)}
    before = Chunks(row)
    draft = Draft(before)
    for i, member in new.items():
        assert draft.put(i, member) == row[i]
        assert draft[i] == member
    after = draft.row()
    wanted = [new.get(i, member) for i, member in enumerate(row)]
    assert list(before) == row
    assert (list(after), len(after)) == (wanted, len(wanted))
    assert [after[i] for i in range(len(after))] == wanted
    assert after == Chunks(wanted)
    assert after is before or new


@given(st.lists(st.integers(), max_size=3 * SIZE), st.data())
def test_what_is_seen_in_parts_that_never_change_is_looked_at_once(
    row: list[int], data: st.DataObject
) -> None:
    looks = list[tuple[int, ...]]()

    def total(part: tuple[int, ...]) -> int:
        looks.append(part)
        return sum(part)

    now = Chunks(row)
    for _ in range(3):
        draft = Draft(now)
        changes = st.dictionaries(st.integers(0, 3 * SIZE), st.integers(), max_size=3)
        for i, member in data.draw(changes).items():
            if i < len(row):
                draft.put(i, member)
                row[i] = member
        if data.draw(st.booleans()):
            assert sum(now.seen(total)) == sum(now), "the row before stays as it was"
        looks.clear()
        now = draft.row()
        assert sum(now.seen(total)) == sum(row)
        assert sum(now.seen(total)) == sum(row)
        assert len(looks) <= len(now.parts)
    looks.clear()
    draft = Draft(now)
    replaced_in = range(0, len(now.parts), 2)
    for at in replaced_in:
        draft.put(at << SHIFT, 0)
    assert sum(draft.row().seen(total)) == sum(draft.row())
    assert len(looks) == len(replaced_in)


@given(
    st.lists(st.integers(0, 99), max_size=3 * SIZE),
    st.lists(st.tuples(st.integers(0, 3 * SIZE), st.integers(0, 99))),
    st.integers(-1, 100),
    st.builds(range, st.integers(0, 3 * SIZE), st.integers(0, 3 * SIZE)),
)
def test_moments_know_the_first_and_what_is_due_as_a_look_at_all_does(
    row: list[int], changes: list[tuple[int, int]], now_ms: int, among: range
) -> None:
    moments = Moments(row)
    for i, new_ms in changes:
        if i < len(row):
            before, was = moments, list(row)
            moments = moments.copied()
            moments[i] = row[i] = new_ms
            assert before == Moments(was), "what was copied stays as it was"
    assert moments == Moments(row)
    assert moments.first_ms == min(row, default=NEVER_MS)
    wanted = [i for i, due_ms in enumerate(row) if due_ms <= now_ms]
    assert moments.until(now_ms) == wanted
    assert moments.until(now_ms, among) == [i for i in wanted if i in among]


@given(
    st.integers(0, 3 * SIZE),
    st.none() | st.integers(-4 * SIZE, 4 * SIZE),
    st.none() | st.integers(-4 * SIZE, 4 * SIZE),
    st.sampled_from([None, 1, 2, -1, -5]),
)
def test_a_part_of_a_row_is_that_part_of_the_tuple(
    size: int, start: int | None, stop: int | None, step: int | None
) -> None:
    part = slice(start, stop, step)
    assert Chunks(range(size))[part] == tuple(range(size))[part]
