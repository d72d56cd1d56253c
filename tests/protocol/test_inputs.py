"""What comes from outside has a bound, and the error names it."""

import contextlib
import json
import os
import socket
import threading
import time
from collections.abc import Callable, Iterator
from decimal import Decimal
from pathlib import Path

import pytest

import wirevow.protocol.conformance.rig
from tests.emu.serving import serving
from tests.protocol.conformance.instruments import served, vow_of
from wirevow.emu.instrument import Instrument
from wirevow.protocol.conformance.casefile import HEAD, CaseError, parse_case, read_case
from wirevow.protocol.conformance.rig import RigError, SocketRig, open_rig
from wirevow.protocol.conformance.search.memory import Memory
from wirevow.protocol.conformance.session import Session
from wirevow.protocol.document.load import DocumentError, load_document
from wirevow.protocol.errors import WirevowError
from wirevow.protocol.inputs import decimal_of, file_content
from wirevow.protocol.serialport import PortError, open_port
from wirevow.protocol.vectors import VectorError, read_vector_file

HUGE = ["1e999999999", "-1E+999999999", "0e999999999", "1e-999999999", "9" * 5_000_000, "1e1000", "1e400"]
NO_NUMBERS = ["", "x", "1_000", "inf", "nan", "1e", "0x10", "١", "1 ", "--1"]


@contextlib.contextmanager
def soon() -> Iterator[None]:
    """What is computed for ever, or read to an end that does not come, takes longer than that."""
    began = time.process_time()
    yield
    assert time.process_time() - began < 5


@pytest.mark.parametrize("text", HUGE + NO_NUMBERS, ids=lambda text: text[:12] or "empty")
def test_a_number_that_cannot_be_computed_with_is_refused_at_once(text: str) -> None:
    with soon(), pytest.raises(ValueError, match="a number"):
        decimal_of(text)


@pytest.mark.parametrize("given", ["12.5", "-0.001", "1e-3", ".5", "5.", "+7", 12, 1.5e300, Decimal("1E+2")])
def test_numbers_that_people_write_are_taken_as_they_are(given: object) -> None:
    assert decimal_of(given) == Decimal(str(given))


@pytest.mark.parametrize("text", HUGE, ids=lambda text: text[:12])
@pytest.mark.parametrize("event", ["source.voltage", "panel.sink.level"])
def test_the_bench_refuses_such_numbers_and_goes_on(event: str, text: str) -> None:
    instrument = Instrument(vow_of("tarn"))
    instrument.bench("panel.control", "local", 0)
    with soon(), pytest.raises(ValueError, match=r"a number in .*: a number"):
        instrument.bench(event, text, 0)
    instrument.bench(event, "1.5", 0)


@pytest.fixture(scope="module")
def rig() -> Iterator[SocketRig]:
    with served(Instrument(vow_of("tarn"))) as (_, endpoint):
        rig = open_rig(endpoint)
        assert isinstance(rig, SocketRig)
        yield rig
        rig.close()


@pytest.mark.parametrize("text", [*HUGE[:-3], *HUGE[-2:], "9" * 5000], ids=lambda text: text[:12])
@pytest.mark.parametrize("quoted", [True, False])
def test_the_rig_refuses_such_numbers_and_goes_on(rig: SocketRig, text: str, quoted: bool) -> None:
    value = json.dumps(text) if quoted else text
    with soon():
        for line in (
            f'{{"do": "bench", "event": "source.voltage", "value": {value}}}\n',
            f'{{"do": "advance", "sent": 0, "seconds": {value}}}\n',
        ):
            rig._socket.sendall(line.encode())
            answer = json.loads(rig._line())
            assert answer["ok"] is False
            assert "number" in answer["error"] or "one JSON object" in answer["error"]
            assert len(answer["error"]) < 200
    rig.bench("source.voltage", 12.0)


def test_the_rig_does_not_take_a_line_of_five_megabytes() -> None:
    with served(Instrument(vow_of("tarn"))) as (_, endpoint):
        rig = open_rig(endpoint)
        with pytest.raises(RigError, match=r"a request is at most 65536 bytes long|hung up"):
            rig.bench("source.voltage", "9" * 5_000_000)
        rig.close()
        open_rig(endpoint).close()


CASE = f"{HEAD}\ndocument tarn 1.0.0 00000000\nrequirement wire.check\nseed 1\n"


@pytest.mark.parametrize("text", [*HUGE[:-3], *HUGE[-2:]], ids=lambda text: text[:12])
def test_a_case_file_with_such_a_number_is_refused(text: str) -> None:
    with soon(), pytest.raises(CaseError, match="case:5: a number"):
        parse_case(f"{CASE}bench source.voltage {text}\n", "case")


@pytest.mark.parametrize(
    "step", ["wait 99999999999999999999 s", "wait 999999999 h", "> {ticket-99999999999999999999}"]
)
def test_a_case_file_with_another_number_that_is_too_large_is_refused(step: str) -> None:
    with soon(), pytest.raises(CaseError, match="case:5: "):
        parse_case(f"{CASE}{step}\n", "case")


READERS: dict[str, tuple[Callable[[Path], object], type[WirevowError]]] = {
    "document": (load_document, DocumentError),
    "case": (read_case, CaseError),
    "vectors": (read_vector_file, VectorError),
    "memory": (lambda path: Memory(path, "port", "document"), WirevowError),
}


@pytest.mark.parametrize("reader", READERS)
class TestFiles:
    def test_a_device_without_an_end(self, reader: str) -> None:
        read, error = READERS[reader]
        with soon(), pytest.raises(error, match=r"/dev/zero: .*this is not a regular file: name a"):
            read(Path("/dev/zero"))

    def test_a_pipe_that_nobody_writes_to(self, reader: str, tmp_path: Path) -> None:
        read, error = READERS[reader]
        os.mkfifo(tmp_path / "pipe")
        with pytest.raises(error, match=r"pipe: .*this is not a regular file: name a"):
            read(tmp_path / "pipe")

    def test_a_line_of_five_megabytes(self, reader: str, tmp_path: Path) -> None:
        read, error = READERS[reader]
        long = tmp_path / "long"
        long.write_bytes(b"x" * 5_000_000)
        with soon(), pytest.raises(error, match=r"long: .*the file is larger than \d+ kB: a"):
            read(long)


def test_the_bytes_of_a_file_that_is_not_too_large(tmp_path: Path) -> None:
    (tmp_path / "file").write_bytes(b"12345")
    assert file_content(tmp_path / "file", 5, "file") == b"12345"
    with pytest.raises(ValueError, match="larger than"):
        file_content(tmp_path / "file", 4, "file")


def rig_that(answers: Callable[[bytes], bytes]) -> str:
    """A rig whose greeting is right, and whose later answers are these."""
    listener = socket.create_server(("127.0.0.1", 0))
    hello = {"ok": True, "rig": 1, "simulated": True, "document": "tarn", "clock": "held"}
    greeting = json.dumps({**hello, "events": [], "abilities": ["hold", "advance"]}).encode() + b"\n"

    def serve() -> None:
        with listener, listener.accept()[0] as connection, contextlib.suppress(OSError):
            connection.recv(4096)
            connection.sendall(greeting)
            while request := connection.recv(4096):
                connection.sendall(answers(request))

    threading.Thread(target=serve, daemon=True).start()
    return f"tcp:127.0.0.1:{listener.getsockname()[1]}#secret-of-it"


@pytest.mark.parametrize(
    ("answer", "says"),
    [
        (b"x" * 100_000_000, "its answer is longer than 65536 bytes"),
        (b'{"ok": true, "emitted": 0}\n' * 1_000_000, "it says more than it was asked"),
        (b"[" * 50_000 + b"\n", "is not a rig"),
        (b'{"ok": true, "emitted": ' + b"9" * 5000 + b"}\n", "is not a rig"),
    ],
    ids=["without end", "again and again", "deep", "a long number"],
)
def test_a_rig_that_floods_while_time_is_advanced_is_let_go(answer: bytes, says: str) -> None:
    rig = open_rig(rig_that(lambda request: answer))
    with soon(), pytest.raises(RigError, match=says):
        rig.advance(10**9, 0)
    rig.close()


def test_a_rig_that_says_a_byte_now_and_then_is_not_waited_for_for_ever(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    monkeypatch.setattr(wirevow.protocol.conformance.rig, "ANSWER_S", 0.3)
    listener = socket.create_server(("127.0.0.1", 0))

    def serve() -> None:
        with listener, listener.accept()[0] as connection, contextlib.suppress(OSError):
            while True:
                connection.sendall(b" ")
                time.sleep(0.02)

    threading.Thread(target=serve, daemon=True).start()
    with pytest.raises(RigError, match="no answer to hello"):
        open_rig(f"tcp:127.0.0.1:{listener.getsockname()[1]}")


@pytest.mark.parametrize("flood", [b"note 1 boot power\n", b"x", b"\n"], ids=["lines", "a line", "blank"])
def test_an_instrument_that_floods_its_port_is_let_go(flood: bytes) -> None:
    device, host = os.openpty()
    os.set_blocking(device, False)
    done = threading.Event()

    def serve() -> None:
        while not done.is_set():
            with contextlib.suppress(BlockingIOError):
                os.write(device, flood * 1000)

    flooding = threading.Thread(target=serve)
    with open_port(os.ttyname(host), 115200) as port:
        flooding.start()
        with pytest.raises(PortError, match="more than 1000000 bytes came that nobody asked for"):
            Session(port, 64).wait(600 * 10**9)
        done.set()
        flooding.join()
    os.close(host)
    os.close(device)


def test_an_instrument_is_not_asked_for_more_bytes_than_it_may_have_sent() -> None:
    endpoint = rig_that(
        lambda request: b'{"ok": true, "emitted": %d}\n' % (10**9 if b"advance" in request else 0)
    )
    rig = open_rig(endpoint)
    with serving() as (_, address, _), open_port(address, 115200) as port:
        session = Session(port, 64, rig)
        session.hold()
        with pytest.raises(PortError, match="more than 1000000 bytes came that nobody asked for"):
            session.wait(10**9)
    rig.close()
