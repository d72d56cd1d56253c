"""TCP as an instrument's serial port."""

import contextlib
import socket

import pytest
import serial

from tests.emu.serving import serving, until
from wirevow.emu.ports.tcp import TcpPort
from wirevow.protocol.serialport import PortError


def test_pyserial_reaches_it_at_the_address_it_names() -> None:
    with serving("tcp:127.0.0.1:0") as (fake, address, _):
        assert address.startswith("socket://127.0.0.1:")
        for _ in range(2):
            with serial.serial_for_url(address, timeout=30) as port:
                port.write(b"ping one\nping two\n")
                assert port.read_until(b"two\n") == b"ok one\nok two\n"
            until(lambda: fake.seen[-1:] == [("closed",)])
        assert fake.seen == [("opened",), ("closed",)] * 2


def test_without_a_host_part_it_is_loopback() -> None:
    with serving("tcp::0") as (_, address, _):
        assert address.startswith("socket://127.0.0.1:")


def test_a_second_host_is_told_and_hung_up_on_and_the_first_does_not_notice() -> None:
    with serving("tcp:127.0.0.1:0") as (fake, address, _), serial.serial_for_url(address, timeout=30) as port:
        where = address.removeprefix("socket://").rsplit(":", 1)
        with socket.create_connection((where[0], int(where[1])), timeout=30) as second:
            second.sendall(b"ping intruder\n")
            assert second.makefile("rb").read() == b"busy: another host has this instrument\n"
        port.write(b"ping x\n")
        assert port.readline() == b"ok x\n"
        assert fake.heard == b"ping x\n"


def test_a_host_that_does_not_read_stops_being_read() -> None:
    with serving("tcp:127.0.0.1:0") as (fake, address, _):
        where = address.removeprefix("socket://").rsplit(":", 1)
        with socket.create_connection((where[0], int(where[1])), timeout=0.3) as host:
            with pytest.raises(TimeoutError):
                host.sendall(b"long 60000\n" * 1_000_000)
            assert len(fake.heard) < 10_000_000
            host.settimeout(5)
            lines = host.makefile("rb")
            for _ in range(5):
                assert lines.readline() == b"x" * 59999 + b"\n"


def test_a_host_that_returns_at_once_is_welcome_and_its_last_words_were_heard() -> None:
    with serving("tcp:127.0.0.1:0") as (fake, address, _):
        where = address.removeprefix("socket://").rsplit(":", 1)
        for visit in range(100):
            with socket.create_connection((where[0], int(where[1])), timeout=30) as connection:
                connection.sendall(b"ping %d\n" % visit)
                assert connection.makefile("rb").readline() == b"ok %d\n" % visit
                connection.sendall(b"bye\n")
        until(lambda: len(fake.seen) == 200)
        assert fake.seen == [("opened",), ("closed",)] * 100
        assert fake.heard == b"".join(b"ping %d\nbye\n" % visit for visit in range(100))


def post(body: bytes) -> bytes:
    """What a browser sends for a page (RFC 9112, section 3, and a form's or a script's body)."""
    head = b"POST /" + b"x" * 5000 + b" HTTP/1.1\r\nHost: 127.0.0.1\r\nContent-Type: text/plain\r\n"
    return head + b"Content-Length: %d\r\n\r\n" % len(body) + body


@pytest.mark.parametrize("piece", [1, 3, 6, 10_000])
def test_a_web_page_is_hung_up_on_and_nothing_of_it_is_heard(piece: int) -> None:
    with serving("tcp:127.0.0.1:0") as (fake, address, _):
        where = address.removeprefix("socket://").rsplit(":", 1)
        with socket.create_connection((where[0], int(where[1])), timeout=30) as page:
            page.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
            data = post(b"ping x\n" * 1000)
            with contextlib.suppress(ConnectionError):
                for at in range(0, len(data), piece):
                    page.sendall(data[at : at + piece])
                assert page.recv(1000) == b""
        with serial.serial_for_url(address, timeout=30) as port:
            port.write(b"ping y\n")
            assert port.readline() == b"ok y\n"
        assert fake.heard == b"ping y\n"


@pytest.mark.parametrize(
    "begin", [b"ASK", b"PUT sink", b"GET\n", b"\n", b"A" * 17, b"/", b" GET /", b"Get /"]
)
def test_what_only_looks_a_little_like_a_web_page_is_heard(begin: bytes) -> None:
    with serving("tcp:127.0.0.1:0") as (fake, address, _):
        with serial.serial_for_url(address, timeout=30) as port:
            for at in range(len(begin)):
                port.write(begin[at : at + 1])
            port.write(b"\nping x\n")
            assert port.read_until(b"ok x\n").endswith(b"ok x\n")
        assert fake.heard == begin + b"\nping x\n"


def test_an_address_that_other_machines_reach_has_to_be_meant() -> None:
    with pytest.raises(PortError, match=r"other machines reach 0\.0\.0\.0.*127\.0\.0\.1, or add --public"):
        TcpPort("tcp:0.0.0.0:0")
    TcpPort("tcp:0.0.0.0:0", public=True).close()


def test_a_port_in_use_is_an_error_with_a_remedy() -> None:
    with serving("tcp:127.0.0.1:0") as (_, address, _):
        place = "tcp:" + address.removeprefix("socket://")
        with pytest.raises(PortError, match=rf"{place}: cannot listen there .*choose another port"):
            TcpPort(place)


@pytest.mark.parametrize("text", ["tcp:", "tcp:localhost", "tcp:localhost:serial", "tcp:x:70000", "tcp:x:-1"])
def test_a_malformed_address_is_an_error(text: str) -> None:
    with pytest.raises(PortError, match="write tcp:HOST:PORT"):
        TcpPort(text)


def test_an_unknown_host_is_an_error() -> None:
    with pytest.raises(PortError, match="no such host"):
        TcpPort("tcp:nowhere.invalid:0")


def test_a_host_that_hangs_up_with_answers_unread_makes_room_for_the_next() -> None:
    with serving("tcp:127.0.0.1:0") as (fake, address, _):
        where = address.removeprefix("socket://").rsplit(":", 1)
        with (
            socket.create_connection((where[0], int(where[1])), timeout=0.3) as host,
            pytest.raises(TimeoutError),
        ):
            host.sendall(b"long 60000\n" * 1_000_000)
        until(lambda: fake.seen == [("opened",), ("closed",)])
        with serial.serial_for_url(address, timeout=30) as port:
            port.write(b"\nping x\n")  # the LF ends what the first host had begun
            port.readline()
            assert port.readline() == b"ok x\n"
