"""Readers of the stream: bounded in number and in what waits for them."""

from __future__ import annotations

import json

from tocsin.page.streams import LONGEST_QUEUE, MOST_STREAMS, Stream, Streams


def heard(stream: Stream) -> tuple[str, dict[str, object]]:
    name, data = stream.queue.get_nowait().decode().split("\n")[:2]
    told: dict[str, object] = json.loads(data.removeprefix("data: "))
    return name.removeprefix("event: "), told


def nothing() -> None:
    """Return the picture before the first step."""


def test_a_reader_gets_the_whole_and_then_what_changed() -> None:
    streams = Streams()
    stream = streams.join(lambda: {"at": 1, "packs": [1, 2]})
    assert stream is not None
    assert heard(stream) == ("whole", {"at": 1, "packs": [1, 2]})
    streams.publish({"at": 2, "packs": [1, 2]})
    assert heard(stream) == ("parts", {"at": 2})


def test_who_came_before_anything_was_seen_gets_the_whole_as_well() -> None:
    streams = Streams()
    stream = streams.join(nothing)
    assert stream is not None
    streams.publish({"at": 1, "packs": []})
    assert heard(stream) == ("whole", {"at": 1, "packs": []})


def test_the_first_reader_after_a_while_gets_the_picture_of_now() -> None:
    streams = Streams()
    gone = streams.join(lambda: {"at": 1})
    assert gone is not None
    streams.leave(gone)
    streams.publish({"at": 2})
    stream = streams.join(lambda: {"at": 3})
    assert stream is not None
    assert heard(stream) == ("whole", {"at": 3})


def test_a_step_while_the_first_picture_is_made_finds_the_reader_there() -> None:
    streams, found = Streams(), list[int]()

    def look() -> dict[str, int]:
        found.append(len(streams))
        return {"at": 1}

    streams.join(look)
    assert found == [1]


def test_a_step_without_news_is_told_all_the_same() -> None:
    streams = Streams()
    stream = streams.join(nothing)
    assert stream is not None
    streams.publish({"at": 1})
    streams.publish({"at": 1})
    assert [heard(stream)[1] for _ in range(2)] == [{"at": 1}, {}]


def test_a_slow_reader_is_dropped_and_the_others_are_not() -> None:
    streams = Streams()
    slow, quick = streams.join(nothing), streams.join(nothing)
    assert slow is not None
    assert quick is not None
    for n in range(LONGEST_QUEUE):
        streams.publish({"at": n})
        quick.queue.get_nowait()
    assert len(streams) == 2
    streams.publish({"at": LONGEST_QUEUE})
    assert len(streams) == 1
    assert slow.queue.get_nowait() == b""
    assert heard(quick) == ("parts", {"at": LONGEST_QUEUE})


def test_readers_are_bounded() -> None:
    streams = Streams()
    joined = [streams.join(nothing) for _ in range(MOST_STREAMS)]
    assert all(joined)
    assert streams.join(nothing) is None
    assert joined[0] is not None
    streams.leave(joined[0])
    assert streams.join(nothing) is not None


def test_a_name_with_a_line_break_stays_one_message() -> None:
    streams = Streams()
    stream = streams.join(nothing)
    assert stream is not None
    streams.publish({"site": "a\nb\n\ndata: c"})
    assert stream.queue.get_nowait().count(b"\n") == 3
