"""Bytes to lines (`wire.framing`, `wire.length`, `wire.idle`, `wire.resync`)."""

from itertools import pairwise

import pytest
from hypothesis import given
from hypothesis import strategies as st

from wirevow.protocol.framing import Framer, Overlong

LIMIT = 12
IDLE_NS = 1_000

# Streams that are mostly about line ends, lengths near the limit, and odd bytes.
pieces = st.one_of(
    st.sampled_from([b"\n", b"\r\n", b"\r", b"ask a", b"\x00", b"\xff", b" "]),
    st.integers(LIMIT - 2, LIMIT + 3).map(lambda size: b"x" * size),
    st.binary(max_size=6),
)
streams = st.lists(pieces, max_size=12).map(b"".join)


def frame(data: bytes, limit: int = LIMIT, idle_ns: int | None = IDLE_NS) -> list[bytes | Overlong]:
    return Framer(limit, idle_ns).feed(data, 0)


@given(streams)
def test_lines_are_what_the_rule_says(data: bytes) -> None:
    expected: list[bytes | Overlong] = []
    for line in data.split(b"\n")[:-1]:
        line = line.removesuffix(b"\r")
        if line:
            expected.append(line if len(line) <= LIMIT else Overlong(LIMIT))
    assert frame(data) == expected


@given(streams, st.data())
def test_chunks_do_not_matter(data: bytes, choice: st.DataObject) -> None:
    whole = frame(data)
    single = Framer(LIMIT, IDLE_NS)
    assert [event for byte in data for event in single.feed(bytes([byte]), 0)] == whole
    cut = choice.draw(st.lists(st.integers(0, len(data)), max_size=5).map(sorted))
    chunked = Framer(LIMIT, IDLE_NS)
    bounds = [0, *cut, len(data)]
    chunks = [data[start:end] for start, end in pairwise(bounds)]
    assert [event for chunk in chunks for event in chunked.feed(chunk, 0)] == whole


def test_a_megabyte_and_single_bytes_give_the_same() -> None:
    data = (b"ask input.voltage\r\n" + b"y" * 13 + b"\n\n\xfe\n") * 5_000
    data += b"z" * 500_000 + b"\nask a\n"
    whole = frame(data)
    single = Framer(LIMIT, IDLE_NS)
    assert [event for byte in data for event in single.feed(bytes([byte]), 0)] == whole
    assert whole[-2:] == [Overlong(LIMIT), b"ask a"]


@given(st.lists(st.tuples(streams, st.integers(0, 3 * IDLE_NS)), max_size=8))
def test_idle_gaps_discard_through_the_next_line_end(chunks: list[tuple[bytes, int]]) -> None:
    framer = Framer(LIMIT, IDLE_NS)
    now = 0
    seen: list[bytes | Overlong] = []
    marked = b""  # The same stream with the LF-to-LF stretches that a gap broke cut out.
    line = b""
    stale = False
    last = 0
    for data, gap in chunks:
        now += gap
        seen += framer.feed(data, now)
        for byte in data:
            if line and now - last > IDLE_NS:
                stale = True
            last = now
            line += bytes([byte])
            if byte == 0x0A:
                if not stale:
                    marked += line
                line, stale = b"", False
    assert seen == frame(marked)


@pytest.mark.parametrize("end", [b"\n", b"\r\n"])
def test_exactly_the_limit_is_a_line(end: bytes) -> None:
    assert frame(b"x" * LIMIT + end) == [b"x" * LIMIT]
    assert frame(b"x" * (LIMIT + 1) + end) == [Overlong(LIMIT)]


def test_a_carriage_return_just_past_the_limit_ends_no_line() -> None:
    data = b"x" * LIMIT + b"\ry\n"
    single = Framer(LIMIT, IDLE_NS)
    assert [event for byte in data for event in single.feed(bytes([byte]), 0)] == [Overlong(LIMIT)]
    assert frame(data) == [Overlong(LIMIT)]


def test_only_one_carriage_return_is_part_of_the_line_end() -> None:
    assert frame(b"ask a\r\r\n") == [b"ask a\r"]
    assert frame(b"ask\ra\n") == [b"ask\ra"]
    assert frame(b"\r\r\n") == [b"\r"]
    assert frame(b"\rask a\n") == [b"\rask a"]


def test_blank_lines_yield_nothing() -> None:
    assert frame(b"\n\r\n\n") == []


def test_idle_is_longer_than_not_as_long_as() -> None:
    framer = Framer(LIMIT, IDLE_NS)
    assert framer.feed(b"ask", 0) == []
    assert framer.feed(b" a\n", IDLE_NS) == [b"ask a"]
    assert framer.feed(b"ask", 2 * IDLE_NS) == []
    assert framer.feed(b" b\nask c\n", 3 * IDLE_NS + 1) == [b"ask c"]


def test_a_gap_between_lines_discards_nothing() -> None:
    framer = Framer(LIMIT, IDLE_NS)
    assert framer.feed(b"ask a\n", 0) == [b"ask a"]
    assert framer.feed(b"ask b\n", 50 * IDLE_NS) == [b"ask b"]


def test_a_discarded_line_stays_discarded_however_it_goes_on() -> None:
    framer = Framer(LIMIT, IDLE_NS)
    framer.feed(b"a", 0)
    framer.feed(b"b", 2 * IDLE_NS)
    assert framer.feed(b"c" * 50, 2 * IDLE_NS) == []
    assert framer.feed(b"put x 1\nask a\n", 2 * IDLE_NS) == [b"ask a"]


def test_an_overlong_line_that_goes_idle_is_not_answered() -> None:
    framer = Framer(LIMIT, IDLE_NS)
    assert framer.feed(b"x" * 50, 0) == []
    assert framer.feed(b"\nask a\n", IDLE_NS + 1) == [b"ask a"]


def test_the_idle_time_in_force_when_the_byte_comes_decides() -> None:
    framer = Framer(LIMIT, 10 * IDLE_NS)
    framer.feed(b"ask", 0)
    framer.idle_ns = IDLE_NS
    assert framer.feed(b" a\n", 2 * IDLE_NS) == []
    framer.idle_ns = None
    framer.feed(b"ask", 2 * IDLE_NS)
    assert framer.feed(b" a\n", 10**18) == [b"ask a"]


def test_a_boot_forgets_the_begun_line() -> None:
    framer = Framer(LIMIT, IDLE_NS)
    framer.feed(b"put lev", 0)
    framer.reset()
    assert framer.feed(b"ask a\n", 5 * IDLE_NS) == [b"ask a"]


def test_no_input_is_no_byte() -> None:
    framer = Framer(LIMIT, IDLE_NS)
    framer.feed(b"ask", 0)
    framer.feed(b"", IDLE_NS)
    assert framer.feed(b" a\n", IDLE_NS + 1) == []


def test_a_limit_of_nothing_is_refused() -> None:
    with pytest.raises(ValueError, match="line limit"):
        Framer(0, None)
