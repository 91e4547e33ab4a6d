"""The record of the GPIO chip: what a board's lines would have shown."""

from __future__ import annotations

from typing import TYPE_CHECKING

import pytest
from tests.vm.levels import Change, read

if TYPE_CHECKING:
    from collections.abc import Collection

HEAD = "# entries-in-buffer/entries-written: {0}/{1}   #P:1\n"
AT = "          tocsin-258     [000] .....    "


def record(*calls: str, pulled_up: Collection[int] = ()) -> list[Change]:
    text = "".join(f"{AT}{n}.000001: {call}\n" for n, call in enumerate(calls, 1))
    return list(read(text, pulled_up=pulled_up).changes)


def out(line: int, level: int) -> str:
    return f"out: (gpio_sim_direction_output+0x0/0x40) offset={line} level={level}"


def many(line: int, level: int) -> str:
    mask = 1 << line
    return f"many: (gpio_sim_set_multiple+0x0/0x60) mask={mask} bits={mask * level}"


def free(line: int) -> str:
    return f"free: (gpio_sim_free+0x0/0x50 [gpio_sim]) offset={line}"


def test_a_line_claimed_at_its_pull_s_level_does_not_move() -> None:
    assert record(out(22, 1), pulled_up={22}) == []
    assert record(out(17, 0)) == []


def test_a_line_claimed_low_and_then_set_high_shows_the_pulse() -> None:
    found = record(out(22, 0), many(22, 1), pulled_up={22})
    assert [(c.line, c.level) for c in found] == [(22, False), (22, True)]
    assert found[1].at_s - found[0].at_s == pytest.approx(1.0)


def test_a_line_given_back_falls_to_its_pull_resistor() -> None:
    found = record(out(17, 1), free(17))
    assert [c.level for c in found] == [True, False]
    assert [c.level for c in record(out(22, 0), free(22), pulled_up={22})] == [
        False,
        True,
    ]


def test_a_line_that_becomes_an_input_is_at_its_pull_at_once() -> None:
    turned = "in: (gpio_sim_direction_input+0x0/0x40 [gpio_sim]) offset=22"
    assert [c.level for c in record(out(22, 0), turned, pulled_up={22})] == [
        False,
        True,
    ]


def test_a_bias_that_is_asked_for_counts_from_the_release_on() -> None:
    bias = "bias: (gpio_sim_set_config+0x0/0x70 [gpio_sim]) offset=22 config=259"
    assert [c.level for c in record(bias, out(22, 1), free(22), pulled_up={22})] == [
        False
    ], "259 is pull down"


def test_several_lines_set_in_one_call_are_each_seen() -> None:
    mask, bits = 1 << 17 | 1 << 23, 1 << 23
    both = f"many: (gpio_sim_set_multiple+0x0/0x60) mask={mask} bits={bits}"
    assert [(c.line, c.level) for c in record(both)] == [(23, True)]


def test_marks_are_kept_with_their_time_and_the_last_counts() -> None:
    text = "".join(
        f"            sh-9       [000] .....    {n}.5: tracing_mark_write: begun\n"
        for n in (1, 2)
    )
    assert read(text, pulled_up=()).mark("begun") == 2.5
    with pytest.raises(KeyError):
        read(text, pulled_up=()).mark("ended")


@pytest.mark.parametrize(("written", "lost"), [(10, 0), (11, 1), (40, 30)])
def test_calls_that_the_kernel_had_no_room_for_are_counted(
    written: int, lost: int
) -> None:
    assert read(HEAD.format(10, written), pulled_up=()).lost == lost


def test_a_program_with_spaces_and_dashes_in_its_name_is_read() -> None:
    text = f"  my prog-2-258     [001] d..1.    7.25: {out(4, 1)}\n"
    assert read(text, pulled_up=()).changes == (Change(7.25, 4, True),)
