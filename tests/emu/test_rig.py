"""The rig endpoint and its client, over a real socket and beside a real port."""

import contextlib
import importlib.metadata
import json
import socket
import threading
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest
import serial

import wirevow.protocol.conformance.rig
from tests.emu.fake import Fake
from tests.emu.serving import serving, until
from wirevow.emu.clock import VirtualClock
from wirevow.emu.instrument import Instrument
from wirevow.emu.ports.line import Line
from wirevow.emu.ports.rig import InstrumentRig
from wirevow.emu.ports.rigport import RigPort
from wirevow.protocol.conformance.rig import Repeating, Rig, RigError, SocketRig, open_rig
from wirevow.protocol.document.load import load_document
from wirevow.protocol.serialport import PortError
from wirevow.protocol.store import image_of
from wirevow.protocol.vow import compile_vow


@pytest.fixture(params=["pty", "tcp:127.0.0.1:0", "paced"])
def bench(request: pytest.FixtureRequest) -> Iterator[tuple[Fake, serial.Serial, Rig]]:
    listen, pace = ("pty", 9600) if request.param == "paced" else (request.param, None)
    with serving(listen, pace=pace, rig=True) as (fake, address, endpoint):
        rig = open_rig(endpoint)
        with serial.serial_for_url(address, timeout=30) as port:
            yield fake, port, rig
        rig.close()


def test_says_who_it_is(bench: tuple[Fake, serial.Serial, Rig]) -> None:
    _, _, rig = bench
    hello = rig.hello()
    assert hello.simulated
    assert hello.document == "fake"
    assert hello.events == {"source.voltage", "trigger"}
    assert hello.abilities == {"bench", "repeat", "power", "reset", "hold", "advance", "quick"}
    assert not hello.held


def test_many_events_at_once_are_as_one_by_one(bench: tuple[Fake, serial.Serial, Rig]) -> None:
    fake, _, rig = bench
    assert isinstance(rig, Repeating)
    rig.repeat("source.voltage", ["9", "good"], 2)
    with pytest.raises(RigError, match="at most 10000 events"):
        rig.repeat("source.voltage", ["9", "good"], 5001)
    events = [event[2] for event in fake.seen if event[0] == "bench"]
    assert events == ["9", "good", "9", "good"]


def test_many_events_that_cannot_happen_are_refused_as_one_is() -> None:
    with serial.serial_for_url("emu://brae") as port, pytest.raises(RigError, match="no bench event 'panel"):
        port.rig.repeat("panel.control", ["local", "remote"], 2)


def test_its_hands_reach_the_instrument(bench: tuple[Fake, serial.Serial, Rig]) -> None:
    fake, _, rig = bench
    rig.bench("source.voltage", 12.5)
    rig.bench("trigger")
    rig.bench("source.voltage", "good")
    rig.power(False)
    rig.power(True)
    rig.reset()
    assert [event for event in fake.seen if event[0] not in ("opened", "closed")] == [
        ("bench", "source.voltage", 12.5),
        ("bench", "trigger", None),
        ("bench", "source.voltage", "good"),
        ("power", False),
        ("power", True),
        ("reset",),
    ]


def test_an_unknown_bench_event_is_an_error(bench: tuple[Fake, serial.Serial, Rig]) -> None:
    _, _, rig = bench
    with pytest.raises(RigError, match=r"no bench event 'flood'; there are: source\.voltage, trigger"):
        rig.bench("flood", 1)
    rig.bench("trigger")


def test_time_moves_only_when_told_and_not_before_every_byte_is_there(
    bench: tuple[Fake, serial.Serial, Rig],
) -> None:
    _, port, rig = bench
    rig.hold()
    sent = port.write(b"time\n")
    start = int(port.readline())
    for hour in range(1, 20):
        sent += port.write(b"later 3599.999999999 tick\n")
        emitted = rig.advance(3600 * 10**9, sent)
        assert port.readline() == b"ok\n"
        assert port.readline() == b"note tick\n"
        sent += port.write(b"time\n")
        line = port.readline()
        assert int(line) == start + hour * 3600 * 10**9
        assert rig.counts(sent) == emitted + len(line)


def test_what_was_emitted_is_what_the_host_reads(bench: tuple[Fake, serial.Serial, Rig]) -> None:
    _, port, rig = bench
    rig.hold()
    sent = port.write(b"later 1 a\nlater 2 b\nlater 9 c\n")
    before = rig.counts(sent)
    assert port.read(before) == b"ok\nok\nok\n"
    after = rig.advance(2 * 10**9, sent)
    assert port.read(after - before) == b"note a\nnote b\n"


def test_time_runs_again_from_where_it_stands(bench: tuple[Fake, serial.Serial, Rig]) -> None:
    _, port, rig = bench
    rig.hold()
    rig.advance(10**13, 0)
    rig.run()
    port.write(b"later 0.01 tick\ntime\n")
    assert port.readline() == b"ok\n"
    assert 10**13 < int(port.readline()) < 10**13 + 10**12
    assert port.readline() == b"note tick\n"


def test_time_runs_again_when_the_client_hangs_up(bench: tuple[Fake, serial.Serial, Rig]) -> None:
    _, port, rig = bench
    rig.hold()
    port.write(b"later 0.01 tick\n")
    assert port.readline() == b"ok\n"
    rig.close()
    assert port.readline() == b"note tick\n"


def test_a_running_clock_cannot_be_advanced(bench: tuple[Fake, serial.Serial, Rig]) -> None:
    _, _, rig = bench
    with pytest.raises(RigError, match="hold it before advancing"):
        rig.advance(1, 0)


def test_bytes_that_never_come_are_reported(
    bench: tuple[Fake, serial.Serial, Rig], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("wirevow.emu.ports.rigport.ARRIVAL_S", 0.05)
    _, port, rig = bench
    rig.hold()
    rig.counts(port.write(b"ping x\n"))
    with pytest.raises(RigError, match="only 7 of 8 bytes have come"):
        rig.advance(1, 8)


def test_an_answer_goes_out_as_soon_as_the_bytes_it_waited_for_are_there(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    # Bytes through a terminal may come after a question through a socket that was asked later.
    monkeypatch.setattr("wirevow.emu.ports.rigport.ARRIVAL_S", 3600.0)
    asked = threading.Event()

    class Rig(InstrumentRig):
        def arrived(self, sent: int) -> bool:
            asked.set()
            return super().arrived(sent)

    monkeypatch.setattr("wirevow.emu.ports.rigport.InstrumentRig", Rig)
    answers: list[int] = []
    with serving("pty", rig=True) as (_, address, endpoint):
        rig = open_rig(endpoint)
        asking = threading.Thread(target=lambda: answers.append(rig.counts(7)), daemon=True)
        with serial.serial_for_url(address, timeout=30) as port:
            asking.start()
            assert asked.wait(5)
            port.write(b"ping x\n")
            asking.join(5)
            assert answers == [5]
        rig.close()


def test_the_counts_begin_anew_when_the_port_is_opened() -> None:
    with serving(rig=True) as (fake, address, endpoint):
        rig = open_rig(endpoint)
        for _ in range(3):
            with serial.Serial(address, timeout=30) as port:
                sent = port.write(b"ping x\n")
                assert port.readline() == b"ok x\n"
                assert rig.counts(sent) == 5
        rig.close()
        until(lambda: len(fake.seen) == 6)


def test_counts_after_an_event_are_those_after_the_event(bench: tuple[Fake, serial.Serial, Rig]) -> None:
    _, port, rig = bench
    rig.hold()
    sent = port.write(b"ping x\n")
    rig.counts(sent)
    rig.bench("trigger")
    assert rig.counts(sent) == 5
    rig.bench("trigger")
    sent += port.write(b"ping y\n")
    assert rig.counts(sent) == 10


def test_counts_on_a_running_clock_are_asked_for_each_time(bench: tuple[Fake, serial.Serial, Rig]) -> None:
    _, port, rig = bench
    sent = port.write(b"later 0.05 x\n")
    assert rig.counts(sent) == 3
    rig.bench("trigger")
    until(lambda: rig.counts(sent) == 3 + len(b"note x\n"))


@pytest.mark.parametrize(("quick_s", "most"), [(60.0, 10), (0.0, 180)])
def test_a_long_wait_is_cut_in_strides_that_grow_while_answers_are_quick(
    quick_s: float, most: int, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("wirevow.protocol.conformance.rig.QUICK_S", quick_s)
    asked: list[int] = []

    class Counting(InstrumentRig):
        def advance(self, span_ns: int, sent: int) -> int:
            asked.append(span_ns)
            return super().advance(span_ns, sent)

    monkeypatch.setattr("wirevow.emu.ports.rigport.InstrumentRig", Counting)
    with serving(rig=True) as (_, _, endpoint):
        rig = open_rig(endpoint)
        rig.hold()
        rig.advance(3600 * 10**9, 0)
        rig.close()
    assert sum(asked) == 3600 * 10**9
    assert asked[0] == 20 * 10**9
    assert len(asked) == pytest.approx(most, rel=0.3)


def test_in_process_it_is_the_same_rig() -> None:
    fake, clock = Fake(), VirtualClock()
    line = Line(fake)
    line.opened(0)
    rig = InstrumentRig(line, clock, "fake")
    assert isinstance(rig, Rig)
    rig.hold()
    assert rig.hello().held
    line.receive(b"later 5 tick\n", 0)
    assert rig.counts(13) == 3
    assert rig.advance(5 * 10**9, 13) == 3 + len(b"note tick\n")
    with pytest.raises(RigError, match="only 13 of 14"):
        rig.advance(1, 14)
    with pytest.raises(RigError, match="0 to 34560000 seconds"):
        rig.advance(-1, 13)
    with pytest.raises(RigError, match="0 to 34560000 seconds"):
        rig.advance(10**18, 13)


def test_a_store_is_written_while_the_supply_is_off() -> None:
    tarn = compile_vow(load_document(Path(__file__).parents[2] / "spec" / "tarn.yaml").document)
    line = Line(Instrument(tarn))
    rig = InstrumentRig(line, VirtualClock(), "tarn")
    assert "store" in rig.hello().abilities
    image = image_of(tarn, {entry.name: entry.default for entry in tarn.settings} | {"capacity.cells": 5}, 1)
    with pytest.raises(RigError, match="while the supply is off"):
        rig.store(image)
    rig.power(False)
    rig.store(image)
    rig.power(True)
    assert b"ok 5\n" in line.exchange(b"ask capacity.cells\n", 0)


class TestWire:
    """The endpoint as a program of another language would use it."""

    def where(self, endpoint: str) -> tuple[tuple[str, int], bytes]:
        """The address, and the line that begins a conversation."""
        place, secret = endpoint.removeprefix("tcp:").split("#")
        host, port = place.rsplit(":", 1)
        return (host, int(port)), json.dumps({"do": "hello", "secret": secret}).encode() + b"\n"

    def talk(self, endpoint: str, *lines: bytes) -> list[dict[str, object]]:
        """The answers to lines after the hello."""
        where, hello = self.where(endpoint)
        with socket.create_connection(where, timeout=30) as connection:
            connection.sendall(hello + b"".join(line + b"\n" for line in lines))
            answers = connection.makefile("rb")
            return [json.loads(answers.readline()) for _ in (hello, *lines)][1:]

    def test_hello(self) -> None:
        with serving(rig=True) as (_, _, endpoint):
            hello = json.dumps({"do": "hello"}).encode()
            assert self.talk(endpoint, hello) == [
                {
                    "ok": True,
                    "rig": 1,
                    "simulated": True,
                    "document": "fake",
                    "events": ["source.voltage", "trigger"],
                    "clock": "real",
                    "abilities": ["advance", "bench", "hold", "power", "quick", "repeat", "reset"],
                }
            ]

    def test_seconds_are_exact_as_text_and_as_a_number(self) -> None:
        with serving(rig=True) as (_, _, endpoint):
            _, first, *rest = self.talk(
                endpoint,
                b'{"do":"hold"}',
                b'{"do":"counts","sent":0}',
                b'{"do":"advance","seconds":"0.000000001","sent":0}',
                b'{"do":"advance","seconds":0.1,"sent":0}',
                b'{"do":"advance","seconds":3,"sent":0}',
            )
        start = first["now_ns"]
        assert isinstance(start, int)
        assert [answer["now_ns"] for answer in rest] == [
            start + 1,
            start + 100_000_001,
            start + 3_100_000_001,
        ]

    @pytest.mark.parametrize(
        ("line", "says"),
        [
            (b"hello", "one JSON object per line"),
            (b"", "one JSON object per line"),
            (b"[]", "one JSON object per line"),
            (b"\xff", "one JSON object per line"),
            (b"[" * 5000, "one JSON object per line"),
            (b"{}", '"do" is hello, bench'),
            (b'{"do": "dance"}', '"do" is hello, bench'),
            (b'{"do": "bench"}', '"event" is the name'),
            (b'{"do": "bench", "event": "trigger", "value": [1]}', '"value" is a number, a word or null'),
            (b'{"do": "bench", "event": "trigger", "value": 1e999}', '"value" is a number, a word or null'),
            (b'{"do": "bench", "event": "trigger", "value": true}', '"value" is a number, a word or null'),
            (
                b'{"do": "repeat", "event": "trigger", "values": [1], "times": 2}',
                '"values" is a list of words',
            ),
            (
                b'{"do": "repeat", "event": "trigger", "values": ["%s"], "times": 2}' % (b"1" * 41),
                '"values" is a list of words of at most 40 characters',
            ),
            (b'{"do": "repeat", "event": "trigger", "values": ["a"]}', '"times" is a whole number of events'),
            (b'{"do": "power", "on": 1}', '"on" is true or false'),
            (b'{"do": "store", "image": "0g"}', '"image" is hex digits'),
            (b'{"do": "store"}', '"image" is hex digits'),
            (b'{"do": "store", "image": "00"}', "where this firmware keeps its images is not known"),
            (b'{"do": "counts", "sent": -1}', '"sent" is a whole number'),
            (b'{"do": "counts"}', '"sent" is a whole number'),
            (b'{"do": "advance", "seconds": "soon", "sent": 0}', '"seconds" is a number'),
            (b'{"do": "advance", "seconds": "1e999999999", "sent": 0}', '"seconds" is a number'),
            (b'{"do": "advance", "seconds": NaN, "sent": 0}', '"seconds" is a number'),
            (b'{"do": "advance", "sent": 0}', '"seconds" is a number'),
            (b'{"do": "advance", "seconds": -1, "sent": 0}', "0 to 34560000 seconds"),
        ],
    )
    def test_a_bad_request_is_refused_and_the_next_one_served(self, line: bytes, says: str) -> None:
        with serving(rig=True) as (_, _, endpoint):
            _, refused, served = self.talk(endpoint, b'{"do":"hold"}', line, b'{"do":"reset"}')
        assert refused["ok"] is False
        assert says in str(refused["error"])
        assert served["ok"] is True

    def test_an_event_is_answered_with_what_has_come_and_gone_by_then(self) -> None:
        with serving(rig=True) as (_, address, endpoint), serial.Serial(address, timeout=30) as port:
            port.write(b"ping x\n")
            assert port.readline() == b"ok x\n"
            _, answer = self.talk(endpoint, b'{"do":"hold"}', b'{"do":"bench","event":"trigger"}')
        assert answer == {"ok": True, "received": 7, "emitted": 5}

    def test_an_endless_line_is_refused_and_hung_up_on(self) -> None:
        with (
            serving(rig=True) as (_, _, endpoint),
            socket.create_connection(self.where(endpoint)[0], timeout=30) as connection,
        ):
            connection.sendall(b"x" * 65537)
            assert b"at most 65536 bytes" in connection.makefile("rb").readline()

    @pytest.mark.parametrize(
        "first",
        [
            b'{"do": "reset"}',
            b'{"do": "hello"}',
            b'{"do": "hello", "secret": "0000000000000000"}',
            b'{"do": "hello", "secret": "\\ud800"}',
            b'{"do": "reset", "secret": "SECRET"}',
            b"nonsense",
            b"",
        ],
    )
    def test_who_does_not_begin_with_the_secret_is_told_and_hung_up_on(self, first: bytes) -> None:
        with serving(rig=True) as (fake, _, endpoint):
            first = first.replace(b"SECRET", endpoint.partition("#")[2].encode())
            where, hello = self.where(endpoint)
            with socket.create_connection(where, timeout=30) as connection:
                connection.sendall(first + b"\n" + hello + b'{"do": "reset"}\n')
                answers = connection.makefile("rb").read().splitlines()
            assert len(answers) == 1
            assert "the secret is what the simulator printed" in json.loads(answers[0])["error"]
            with pytest.raises(RigError, match="the secret is what the simulator printed"):
                open_rig(endpoint.partition("#")[0])
            assert fake.seen == []
            open_rig(endpoint).close()

    def test_a_web_page_is_hung_up_on(self) -> None:
        with serving(rig=True) as (fake, _, endpoint):
            where, hello = self.where(endpoint)
            with socket.create_connection(where, timeout=30) as connection:
                connection.sendall(b"POST / HTTP/1.1\r\nHost: x\r\n\r\n" + hello + b'{"do": "reset"}\n')
                with contextlib.suppress(ConnectionResetError):
                    assert connection.recv(1000) == b""
            open_rig(endpoint).close()
            assert fake.seen == []

    def test_one_may_name_the_secret_oneself(self) -> None:
        line = Line(Fake())
        desk = RigPort("tcp:127.0.0.1:0#on-my-bench", line, VirtualClock(), "fake")
        desk.close()
        assert desk.address.endswith("#on-my-bench")
        with pytest.raises(PortError, match="8 to 64 letters"):
            RigPort("tcp:127.0.0.1:0#short", line, VirtualClock(), "fake")

    def test_every_simulator_makes_its_own_secret(self) -> None:
        with serving(rig=True) as (_, _, one), serving(rig=True) as (_, _, other):
            assert one.partition("#")[2] != other.partition("#")[2]

    def test_a_second_client_is_refused(self) -> None:
        with serving(rig=True) as (_, _, endpoint):
            first = open_rig(endpoint)
            with pytest.raises(RigError, match="another client has this rig"):
                open_rig(endpoint)
            first.reset()
            first.close()

    def test_a_client_that_returns_at_once_is_welcome_and_what_it_asked_for_last_was_done(self) -> None:
        with serving(rig=True) as (fake, _, endpoint):
            where, hello = self.where(endpoint)
            for _ in range(50):
                assert self.talk(endpoint, b'{"do":"power","on":true}')[0]["ok"] is True
                with socket.create_connection(where, timeout=30) as connection:
                    connection.sendall(hello + b'{"do":"reset"}\n')
            until(lambda: fake.seen == [("power", True), ("reset",)] * 50)


class TestClient:
    """What the client says when the other end is not what it should be."""

    def answering(self, answer: Callable[[socket.socket], None]) -> str:
        listener = socket.create_server(("127.0.0.1", 0))

        def serve() -> None:
            with listener, listener.accept()[0] as connection:
                answer(connection)

        threading.Thread(target=serve, daemon=True).start()
        return f"tcp:127.0.0.1:{listener.getsockname()[1]}"

    def test_nothing_listens(self) -> None:
        with socket.create_server(("127.0.0.1", 0)) as listener:
            port = listener.getsockname()[1]
        with pytest.raises(RigError, match=rf"start the simulator with --rig tcp:.*:{port} first"):
            open_rig(f"tcp:127.0.0.1:{port}")

    @pytest.mark.parametrize(
        ("said", "message"),
        [
            (b"refuse syntax\n", "not a rig .it said 'refuse syntax"),
            (b"[1]\n", "not a rig"),
            (b'{"ok": true}\n', "not a rig"),
            (b'{"ok": true, "rig": 1}\n', "not a rig"),
            (b'{"ok": true, "rig": 2}\n', "speaks version 2 of the rig protocol, this checker version 1"),
            (b"", "hung up"),
        ],
    )
    def test_a_stranger_answers(self, said: bytes, message: str) -> None:
        def answer(connection: socket.socket) -> None:
            connection.recv(1000)
            connection.sendall(said)

        with pytest.raises(RigError, match=message):
            open_rig(self.answering(answer))

    def test_silence(self, monkeypatch: pytest.MonkeyPatch) -> None:
        monkeypatch.setattr(wirevow.protocol.conformance.rig, "ANSWER_S", 0.05)
        with pytest.raises(RigError, match="no answer to hello"):
            open_rig(self.answering(lambda connection: connection.recv(9) and connection.makefile().read()))

    def test_the_rig_is_lost(self) -> None:
        with serving(rig=True) as (_, _, endpoint):
            rig = open_rig(endpoint)
        with pytest.raises(RigError, match="the rig hung up"):
            rig.reset()
        rig.close()

    @pytest.mark.parametrize("endpoint", ["tcp:nowhere", "tcp:127.0.0.1:0", "tcp:127.0.0.1:x"])
    def test_a_malformed_address(self, endpoint: str) -> None:
        with pytest.raises(RigError, match="write tcp:HOST:PORT"):
            open_rig(endpoint)

    def test_no_scheme(self) -> None:
        with pytest.raises(RigError, match="not a rig; write tcp:HOST:PORT"):
            open_rig("bench")


class TestAdapters:
    """A rig of one's own is found by entry point."""

    @pytest.fixture(autouse=True)
    def _installed(self, monkeypatch: pytest.MonkeyPatch) -> None:
        entries = [
            importlib.metadata.EntryPoint("hands", f"{__name__}:made", "wirevow.rig"),
            importlib.metadata.EntryPoint("dict", "builtins:dict", "wirevow.rig"),
            importlib.metadata.EntryPoint("gone", "no_such_module:Rig", "wirevow.rig"),
        ]
        monkeypatch.setattr(
            importlib.metadata,
            "entry_points",
            lambda group: entries if group == "wirevow.rig" else [],
        )
        makers = {"hands": lambda rest: made.append(rest) or Handmade(), "dict": lambda rest: {}}
        monkeypatch.setattr(importlib.metadata.EntryPoint, "load", lambda entry: makers[entry.name])

    def test_it_gets_what_follows_the_colon(self) -> None:
        assert isinstance(open_rig("hands:/dev/ttyUSB3:9600"), Handmade)
        assert made == ["/dev/ttyUSB3:9600"]

    def test_one_that_makes_something_else_is_an_error(self) -> None:
        with pytest.raises(RigError, match="made dict, not a rig"):
            open_rig("dict:")

    def test_one_that_fails_is_an_error(self) -> None:
        with pytest.raises(RigError, match="its adapter no_such_module:Rig failed: KeyError"):
            open_rig("gone:")

    def test_an_unknown_one_is_an_error_that_names_the_known(self) -> None:
        with pytest.raises(RigError, match=r"'arms' is installed \(there are: dict, gone, hands, tcp\)"):
            open_rig("arms:2")


made: list[str] = []


class Handmade(InstrumentRig):
    def __init__(self) -> None:
        super().__init__(Line(Fake()), VirtualClock(), "fake")


def test_the_socket_client_satisfies_the_protocol() -> None:
    assert issubclass(SocketRig, Rig)
