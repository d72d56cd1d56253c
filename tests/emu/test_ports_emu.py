"""`emu://`: the instrument in process, and every way in which its time passes."""

import threading
import time
from collections.abc import Iterator

import pytest
import serial

import wirevow
from tests.emu.fake import Fake
from tests.emu.serving import until
from wirevow.emu.ports import world
from wirevow.emu.ports.address import Address, AddressError, find, parse
from wirevow.emu.ports.interface import Instrument
from wirevow.protocol.conformance.rig import RigError
from wirevow.protocol.serialport import PortError, open_port

assert wirevow  # importing it is what makes pyserial know emu://

CHARACTER_NS = 10 * 10**9 / 9600


@pytest.fixture(autouse=True)
def made(monkeypatch: pytest.MonkeyPatch) -> Iterator[list[tuple[Address, Fake]]]:
    """The instruments made, with what was asked for."""
    instruments: list[tuple[Address, Fake]] = []

    def make(address: Address) -> tuple[Instrument, int]:
        fake = Fake()
        instruments.append((address, fake))
        return fake, 9600

    monkeypatch.setattr(world, "make", make)
    yield instruments
    for address, _ in instruments:
        if address.name is not None:
            world.forget(address.name)


def open_emu(url: str = "emu://tarn", timeout: float | None = None) -> serial.Serial:
    return serial.serial_for_url(url, baudrate=9600, timeout=timeout)


def instant(port: serial.Serial) -> int:
    """What time it is for the instrument."""
    now_ns = port.rig.now_ns()
    assert isinstance(now_ns, int)
    return now_ns


class TestOneThread:
    def test_a_request_and_its_answer_take_their_time_on_the_wire(self) -> None:
        with open_emu() as port:
            assert port.write(b"ping abcd\n") == 10
            assert port.read(8) == b"ok abcd\n"
            assert instant(port) == pytest.approx(18 * CHARACTER_NS, abs=2)

    def test_a_read_without_timeout_waits_hours_in_no_time(self) -> None:
        with open_emu() as port:
            port.write(b"later 36000 tick\n")
            assert port.readline() == b"ok\n"
            assert port.read(10) == b"note tick\n"
            assert instant(port) == pytest.approx(36000 * 10**9 + 27 * CHARACTER_NS, abs=3)

    def test_a_read_ends_when_its_timeout_is_over_to_the_nanosecond(self) -> None:
        with open_emu(timeout=2.5) as port:
            assert port.read(1) == b""
            assert instant(port) == 2_500_000_000
            port.write(b"later 10 tick\n")
            assert port.read(4) == b"ok\n"
            assert instant(port) == 5_000_000_000

    def test_a_read_of_some_bytes_ends_as_the_last_of_them_comes(self) -> None:
        with open_emu(timeout=1) as port:
            port.write(b"ping abcd\n")
            assert port.read(3) == b"ok "
            assert instant(port) == pytest.approx(13 * CHARACTER_NS, abs=2)

    def test_a_read_with_timeout_zero_returns_what_is_there(self) -> None:
        with open_emu(timeout=0) as port:
            port.write(b"ping x\n")
            assert port.read(100) == b""
            port.timeout = None
            assert port.read(1) == b"o"
            port.timeout = 0
            got = b""
            while not got.endswith(b"\n"):
                got += port.read(100)
            assert got == b"k x\n"

    def test_polls_by_reading_let_time_pass(self) -> None:
        with open_emu(timeout=0) as port:
            for _ in range(1000):
                assert port.read(1) == b""
            assert instant(port) == 1000 * world.POLL_NS

    def test_polls_by_asking_let_time_pass_until_something_comes(self) -> None:
        with open_emu() as port:
            port.write(b"later 0.5 tick\n")
            assert port.readline() == b"ok\n"
            polls = 1
            while not port.in_waiting:
                polls += 1
            assert polls == pytest.approx(0.5e9 / world.POLL_NS, abs=3)

    def test_polls_for_more_than_there_is_let_time_pass(self) -> None:
        with open_emu() as port:
            port.write(b"later 0.05 tick\n")
            while port.in_waiting < len(b"ok\nnote tick\n"):
                pass
            assert port.read(port.in_waiting) == b"ok\nnote tick\n"

    def test_a_poll_that_finds_news_costs_no_time(self) -> None:
        with open_emu(timeout=1) as port:
            port.write(b"ping a\n")
            assert port.read_until(b"!", 1) == b"o"  # looks at what there is when the whole line has come
            before = instant(port)
            assert port.in_waiting == 4
            assert instant(port) == before
            assert port.in_waiting == 4
            assert instant(port) > before

    def test_writing_alone_takes_no_time_until_there_is_no_room(self) -> None:
        with open_emu() as port:
            port.write(b"x" * 4096)
            assert instant(port) == 0
        with open_emu() as port:
            port.write(b"x" * 4096 + b"x" * 960)
            assert instant(port) == pytest.approx(960 * CHARACTER_NS, rel=0.01)

    def test_a_write_that_finds_no_room_in_time_says_so(self) -> None:
        with open_emu() as port:
            port.write_timeout = 0.5
            with pytest.raises(serial.SerialTimeoutException):
                port.write(b"x" * 10_000)

    def test_flush_waits_until_the_instrument_has_it_all(self, made: list[tuple[Address, Fake]]) -> None:
        with open_emu() as port:
            port.write(b"ping abc\n")
            assert port.out_waiting == 9
            assert made[0][1].heard == b""
            port.flush()
            assert port.out_waiting == 0
            assert made[0][1].heard == b"ping abc\n"

    def test_computing_and_sleeping_take_no_time(self) -> None:
        with open_emu() as port:
            time.sleep(0.01)
            assert instant(port) == 0

    def test_another_rate_is_another_time_on_the_wire(self) -> None:
        with open_emu() as port:
            port.baudrate = 300
            port.write(b"ping abcd\n")
            port.readline()
            assert instant(port) == pytest.approx(18 * 10 * 10**9 / 300, abs=2)


class TestReading:
    def test_until_an_end(self) -> None:
        with open_emu(timeout=1) as port:
            port.write(b"ping a;b;\nrest\n")
            assert port.read_until(b";") == b"ok a;"
            assert port.read_until(b";", 1) == b"b"
            assert port.read_until(size=2) == b";\n"
            assert port.read_until() == b"rest\n"
            before = instant(port)
            assert port.read_until() == b""
            assert instant(port) == before + 10**9

    def test_until_an_end_that_does_not_come_in_time(self) -> None:
        with open_emu(timeout=1) as port:
            port.write(b"later 0.8 a\nlater 1.6 b\n")
            assert port.read_until(b"b\n") == b"ok\nok\nnote a\n"
            assert port.read_until(b"b\n") == b"note b\n"

    def test_a_line_as_long_as_bytes_keep_coming(self) -> None:
        with open_emu(timeout=0.1) as port:
            port.baudrate = 300
            port.write(b"long 20\n")
            port.flush()
            assert port.readline() == b"x" * 19 + b"\n"
            assert port.readline() == b""
            port.write(b"long 20\n")
            port.flush()
            assert port.readline(5) == b"xxxxx"
            assert port.readline() == b"x" * 14 + b"\n"

    def test_without_waiting(self) -> None:
        with open_emu(timeout=0) as port:
            port.write(b"ping a\nping b\n")
            assert port.readline() == b""
            while port.in_waiting < 10:
                pass
            assert port.readline() == b"ok a\n"
            assert port.read_until() == b"ok b\n"

    def test_throwing_away_what_has_arrived(self) -> None:
        with open_emu(timeout=1) as port:
            port.write(b"ping a\n")
            while port.in_waiting < 5:
                pass
            port.reset_input_buffer()
            port.write(b"ping b\n")
            assert port.readline() == b"ok b\n"

    def test_withdrawing_what_has_not_arrived(self, made: list[tuple[Address, Fake]]) -> None:
        with open_emu(timeout=1) as port:
            port.write(b"ping a\n")
            port.reset_output_buffer()
            assert port.readline() == b""
            assert made[0][1].heard == b""


class TestThreads:
    """As soon as two threads are on a port, its time is the machine's."""

    def test_one_reads_while_another_writes(self) -> None:
        with open_emu() as port:
            lines: list[bytes] = []
            reader = threading.Thread(target=lambda: lines.extend(port.readline() for _ in range(20)))
            reader.start()
            for number in range(20):
                port.write(b"ping %d\n" % number)
            reader.join(5)
            assert lines == [b"ok %d\n" % number for number in range(20)]

    def test_time_does_not_rush_past_a_thread_that_waits_for_another(self) -> None:
        with open_emu(timeout=0.01) as port:
            stop = threading.Event()

            def listen() -> None:
                while not stop.is_set():
                    port.read(1)

            reader = threading.Thread(target=listen)
            begun = time.monotonic_ns()
            reader.start()
            time.sleep(0.05)
            stop.set()
            reader.join(5)
            assert 0 < instant(port) <= time.monotonic_ns() - begun

    def test_what_is_due_comes_to_a_reader_while_the_other_thread_does_nothing(self) -> None:
        with open_emu() as port:
            port.write(b"later 0.05 tick\n")
            lines: list[bytes] = []
            reader = threading.Thread(target=lambda: lines.extend(port.readline() for _ in range(2)))
            reader.start()
            reader.join(5)
            assert lines == [b"ok\n", b"note tick\n"]

    def test_time_jumps_again_when_one_thread_is_left(self) -> None:
        with open_emu() as port:
            other = threading.Thread(target=lambda: port.write(b"later 36000 tick\n"))
            other.start()
            other.join()
            assert port.readline() == b"ok\n"
            assert port.readline() == b"note tick\n"

    @pytest.mark.parametrize("how", ["cancel_read", "close"])
    def test_a_read_without_end_can_be_ended(self, how: str) -> None:
        port = open_emu()
        got: list[bytes] = []
        reader = threading.Thread(target=lambda: got.append(port.read(10)))
        reader.start()
        until(lambda: len(port._world._users) == 2)
        getattr(port, how)()
        reader.join(5)
        assert got == [b""]
        port.close()


class TestOpening:
    def test_the_instrument_stays_as_it_is_while_closed(self, made: list[tuple[Address, Fake]]) -> None:
        port = open_emu(timeout=1)
        port.write(b"later 5 tick\n")
        assert port.readline() == b"ok\n"
        before = instant(port)
        port.close()
        port.open()
        assert instant(port) == before
        assert port.read(100) == b""
        port.timeout = 4
        assert port.readline() == b"note tick\n"
        port.close()
        assert len(made) == 1
        assert made[0][1].seen == [("opened",), ("closed",), ("opened",), ("closed",)]

    def test_bytes_on_the_wire_arrive_though_it_is_closed(self, made: list[tuple[Address, Fake]]) -> None:
        port = open_emu(timeout=1)
        port.write(b"last words\n")
        port.close()
        port.open()
        port.read(1)
        assert made[0][1].heard == b"last words\n"
        port.close()

    def test_every_url_has_an_instrument_of_its_own(self, made: list[tuple[Address, Fake]]) -> None:
        with open_emu() as one, open_emu() as other:
            one.write(b"ping one\n")
            other.write(b"ping other\n")
            assert one.readline() == b"ok one\n"
            assert other.readline() == b"ok other\n"
        assert len(made) == 2

    def test_a_second_host_of_a_named_one_is_refused_until_the_first_has_gone(self) -> None:
        with open_emu("emu://tarn?name=mine") as first:
            with pytest.raises(serial.SerialException, match="another port has this instrument"):
                open_emu("emu://tarn?name=mine")
            first.write(b"later 1 tick\n")
            first.flush()
            when = instant(first)
        with open_emu("emu://tarn?name=mine") as second:
            assert instant(second) == when

    def test_one_name_is_one_instrument(self) -> None:
        with (
            open_emu("emu://tarn?name=mine&seed=1"),
            pytest.raises(serial.SerialException, match="running already and was started as"),
        ):
            open_emu("emu://tarn?name=mine&seed=2")

    def test_a_forgotten_name_is_a_new_instrument(self, made: list[tuple[Address, Fake]]) -> None:
        for _ in range(2):
            open_emu("emu://tarn?name=mine").close()
            world.forget("mine")
        assert len(made) == 2

    def test_a_closed_port_says_so(self) -> None:
        port = open_emu()
        port.close()
        port.close()
        for use in (
            lambda: port.read(1),
            lambda: port.write(b"x"),
            lambda: port.in_waiting,
            port.readline,
            port.reset_input_buffer,
        ):
            with pytest.raises(serial.PortNotOpenError):
                use()

    def test_the_control_lines_can_be_used(self) -> None:
        port = serial.serial_for_url("emu://tarn", do_not_open=True)
        port.dtr = False
        port.open()
        port.rts = True
        assert port.cts
        assert port.dsr
        port.send_break()
        port.close()

    def test_the_checkers_way_of_opening_works(self) -> None:
        with open_port("emu://tarn", 9600) as port:
            port.timeout = 1
            port.write(b"ping x\n")
            assert port.readline() == b"ok x\n"


class TestRig:
    def test_it_is_the_rig_of_the_instrument_behind_the_port(self, made: list[tuple[Address, Fake]]) -> None:
        with open_emu() as port:
            port.rig.bench("source.voltage", 3.0)
            with pytest.raises(RigError, match="no bench event"):
                port.rig.bench("flood")
            assert port.rig.hello().document == "tarn"
        assert made[0][1].seen[1] == ("bench", "source.voltage", 3.0)

    def test_held_only_the_rig_moves_time_and_a_read_ends_at_once(self) -> None:
        with open_emu(timeout=60) as port:
            port.rig.hold()
            sent = port.write(b"later 5 tick\n")
            assert port.readline() == b"ok\n"
            begun = time.monotonic()
            assert port.read(1) == b""
            assert port.in_waiting == 0
            assert time.monotonic() - begun < 30
            emitted = port.rig.counts(sent)
            assert port.rig.advance(5 * 10**9, sent) == emitted + 10
            assert port.readline() == b"note tick\n"
            sent += port.write(b"time\n")
            assert port.readline() == b"5000000000\n"

    def test_held_with_two_threads_a_reader_waits_for_the_one_that_moves_time(self) -> None:
        with open_emu(timeout=30) as port:
            port.rig.hold()
            sent = port.write(b"later 5 tick\n")
            port.readline()
            lines: list[bytes] = []
            reader = threading.Thread(target=lambda: lines.append(port.readline()))
            reader.start()
            until(lambda: len(port._world._users) == 2)
            port.rig.advance(5 * 10**9, sent)
            reader.join(5)
            assert lines == [b"note tick\n"]

    def test_bytes_that_were_never_written_are_reported(self) -> None:
        with open_emu() as port:
            port.rig.hold()
            with pytest.raises(RigError, match="only 0 of 1 bytes"):
                port.rig.advance(1, 1)

    def test_there_is_none_before_the_port_is_open(self) -> None:
        with pytest.raises(serial.PortNotOpenError):
            _ = serial.serial_for_url("emu://tarn", do_not_open=True).rig


class TestAddress:
    def test_all_of_it(self) -> None:
        assert parse("emu://tarn?bench=hot-day&seed=7&fault=deaf&name=a%20b") == Address(
            "tarn", "hot-day", 7, "deaf", "a b"
        )

    @pytest.mark.parametrize(
        ("url", "document"),
        [
            ("emu://tarn", "tarn"),
            ("EMU://tarn/", "tarn"),
            ("emu:///tmp/a%20b.yaml", "/tmp/a b.yaml"),
            ("emu://./mine.yaml?seed=1", "./mine.yaml"),
        ],
    )
    def test_documents(self, url: str, document: str) -> None:
        assert parse(url).document == document

    @pytest.mark.parametrize(
        ("url", "message"),
        [
            ("socket://x", "write emu://NAME"),
            ("emu://", "no document is named; write emu://tarn"),
            ("emu://?seed=1", "no document is named"),
            ("emu://tarn?sead=1", "no parameter 'sead'; there are bench, seed, fault, name, firmware"),
            ("emu://tarn?seed=one", "seed is a whole number, not 'one'"),
            ("emu://tarn?seed=-1", "seed is a whole number"),
            ("emu://tarn?bench=", "bench needs one value"),
            ("emu://tarn?seed=1&seed=2", "seed needs one value"),
        ],
    )
    def test_mistakes(self, url: str, message: str) -> None:
        with pytest.raises(AddressError, match=message):
            parse(url)

    def test_a_mistake_reaches_a_pyserial_program_as_pyserials_own_error(self) -> None:
        with pytest.raises(serial.SerialException, match=r"emu://tarn\?sead=1: there is no parameter 'sead'"):
            open_emu("emu://tarn?sead=1")

    def test_and_a_user_of_the_command_line_as_a_port_error(self) -> None:
        with pytest.raises(PortError, match=r"^emu://tarn\?sead=1: there is no parameter 'sead'"):
            open_port("emu://tarn?sead=1", 9600)

    def test_ready_documents_are_found_by_name(self) -> None:
        assert find("tarn").name == "tarn.yaml"
        assert find("tarn").is_file()
        assert str(find("./mine.yaml")) == "mine.yaml"

    def test_an_unknown_name_is_an_error_that_names_the_known(self) -> None:
        with pytest.raises(AddressError, match=r"no ready document 'torn' \(there are: .*tarn.*\)"):
            find("torn")
        with pytest.raises(AddressError, match="no ready bench 'moon'"):
            find("moon", "bench")
