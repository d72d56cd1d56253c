"""The schedule of characters on a wire, and an instrument at the end of it."""

from fractions import Fraction
from math import ceil

import pytest
from hypothesis import given
from hypothesis import strategies as st

from tests.emu.fake import Fake, PausingFake
from wirevow.emu.ports.line import ANSWER_LIMIT, OUTPUT_LIMIT, Line
from wirevow.emu.ports.wire import Wire

BAUDS = st.sampled_from([300, 9600, 115200, 921600])
# 8N1: one start bit, eight data bits, one stop bit (EIA/TIA-404-B calls it start-stop signalling).
CHARACTER_9600_NS = 10 * 10**9 / 9600


def test_a_character_takes_ten_bits() -> None:
    wire = Wire(9600)
    wire.send(b"abc", 0)
    assert wire.arrived(int(CHARACTER_9600_NS) - 1) == b""
    assert wire.arrived(int(CHARACTER_9600_NS) + 1) == b"a"
    assert wire.arrived(int(3 * CHARACTER_9600_NS) - 1) == b"b"
    assert wire.arrived(int(3 * CHARACTER_9600_NS) + 1) == b"c"
    assert wire.queued == 0


def test_without_a_rate_bytes_are_there_at_once() -> None:
    wire = Wire(None)
    wire.send(b"abc", 7)
    assert wire.next_ns(None) == 7
    assert wire.arrived(7) == b"abc"


BURSTS = st.lists(st.tuples(st.binary(min_size=1, max_size=40), st.integers(0, 10**8)), max_size=8)


@given(BAUDS, BURSTS, st.data())
def test_no_byte_is_lost_early_or_overtaken_and_lateness_does_not_add_up(
    baud: int, bursts: list[tuple[bytes, int]], data: st.DataObject
) -> None:
    wire = Wire(baud)
    now, free, sent = 0, 0, b""
    due: list[Fraction] = []
    got = b""
    for burst, pause in bursts:
        now += pause
        got += wire.arrived(now)
        assert len(got) == sum(when <= now for when in due)
        wire.send(burst, now)
        # A burst begins on a whole nanosecond.
        start = max(free, now)
        due += [start + Fraction((n + 1) * 10 * 10**9, baud) for n in range(len(burst))]
        free = ceil(due[-1])
        sent += burst
    while wire.queued:
        step = wire.next_ns(data.draw(st.sampled_from([None, 1_000_000])))
        assert step is not None
        now = max(now, step) + data.draw(st.integers(0, 200_000))
        fresh = wire.arrived(now)
        assert fresh
        got += fresh
        assert len(got) == sum(when <= now for when in due)
    assert got == sent
    assert wire.next_ns(None) is None


@given(BAUDS, st.binary(min_size=1, max_size=60), st.integers(1, 80))
def test_when_a_byte_will_be_there_is_exact(baud: int, data: bytes, count: int) -> None:
    wire = Wire(baud)
    wire.send(data[:20], 0)
    wire.send(data[20:], 0)
    when = wire.when_ns(count)
    assert when is not None
    expected = min(count, len(data))
    assert len(wire.arrived(when - 1)) == expected - 1
    assert len(wire.arrived(when)) == 1


def test_another_rate_holds_for_what_is_under_way() -> None:
    wire = Wire(300)
    wire.send(b"abcdef", 0)
    assert wire.arrived(10**8) == b"abc"
    wire.pace(None, 10**8)
    assert wire.arrived(10**8) == b"def"


class TestLine:
    def test_a_request_and_its_answer_take_their_characters_time(self) -> None:
        line = Line(Fake(), 9600)
        line.opened(0)
        line.receive(b"ping abcd\n", 0)
        line.run(int(11 * CHARACTER_9600_NS) - 1)
        assert line.take() == b""
        line.run(int(18 * CHARACTER_9600_NS) - 1)
        assert line.take() == b"ok abcd"
        line.run(int(18 * CHARACTER_9600_NS) + 2)
        assert line.take() == b"\n"

    def test_the_instrument_sees_the_instant_of_the_line_end_however_late_it_is_woken(self) -> None:
        line = Line(Fake(), 9600)
        line.opened(0)
        line.receive(b"time\ntime\n", 0)
        line.run(10**9)
        first, second = line.take().split()
        assert int(first) == pytest.approx(5 * CHARACTER_9600_NS, abs=1)
        assert int(second) == pytest.approx(10 * CHARACTER_9600_NS, abs=1)

    def test_notices_wait_in_the_instrument_while_its_transmitter_is_busy(self) -> None:
        line = Line(Fake(notice_queue=2), 300)
        line.opened(0)
        line.receive(b"later 3 a\nlater 3 b\nlater 3 c\nlong 200\n", 0)
        line.run(60 * 10**9)
        assert line.take().split(b"\n")[-3:] == [b"note b", b"note c", b""]

    def test_counts_what_went_each_way_since_the_port_was_opened(self) -> None:
        line = Line(Fake())
        line.opened(0)
        line.receive(b"ping x\n", 0)
        line.run(0)
        assert (line.received, line.emitted) == (7, 5)
        line.closed(0)
        line.opened(0)
        assert (line.received, line.emitted) == (0, 0)

    def test_what_it_says_to_nobody_is_lost_and_not_counted(self) -> None:
        line = Line(Fake())
        line.opened(0)
        line.receive(b"later 1 lost\n", 0)
        line.run(0)
        line.closed(0)
        line.run(2 * 10**9)
        line.opened(2 * 10**9)
        assert line.take() == b""
        assert line.emitted == 0

    @pytest.mark.parametrize("make", [Fake, PausingFake])
    def test_many_events_pass_in_one_run_each_at_its_instant(self, make: type[Fake]) -> None:
        line = Line(make(notice_queue=1))
        line.opened(0)
        line.receive(b"".join(b"later %d n%d\n" % (n, n) for n in range(1, 50)), 0)
        line.run(10**12)
        said = line.take().split(b"\n")
        assert said[49:-1] == [b"note n%d" % n for n in range(1, 50)]

    @pytest.mark.parametrize("baud", [None, 115200])
    def test_a_host_that_never_reads_fills_bounded_buffers_and_loses_nothing(self, baud: int | None) -> None:
        line = Line(Fake(), baud)
        line.opened(0)
        line.receive(b"long 1000\n" * 500, 0)
        line.run(10**12)
        assert OUTPUT_LIMIT <= line.ready < OUTPUT_LIMIT + ANSWER_LIMIT * 1000
        got = b""
        while data := line.take():
            got += data
            line.run(10**12)
            line.run(10**12 + len(got) * 10**6)
        assert got == (b"x" * 999 + b"\n") * 500
