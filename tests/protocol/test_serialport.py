"""Opening a serial port as a host, and what is said when it cannot be."""

import os
import socket
import sys
from collections.abc import Iterator
from dataclasses import dataclass

import pytest
import serial

from wirevow.protocol.serialport import PortError, explain, open_port

posix = pytest.mark.skipif(sys.platform == "win32", reason="no pseudo-terminals there")


@pytest.fixture
def terminal() -> Iterator[tuple[int, str]]:
    master, slave = os.openpty()
    try:
        yield master, os.ttyname(slave)
    finally:
        os.close(slave)
        os.close(master)


@dataclass
class Lines:
    dtr: bool
    rts: bool


@posix
def test_reads_return_what_is_there(terminal: tuple[int, str]) -> None:
    master, device = terminal
    with open_port(device, 9600) as port:
        assert port.read(10) == b""
        os.write(master, b"abc")
        while not port.in_waiting:
            pass
        assert port.read(10) == b"abc"
        assert port.baudrate == 9600


@pytest.mark.parametrize("levels", [Lines(True, False), Lines(False, True)])
def test_the_lines_are_set_before_the_port_opens(levels: Lines, monkeypatch: pytest.MonkeyPatch) -> None:
    opened = []
    monkeypatch.setattr(serial.Serial, "open", lambda port: opened.append((port.dtr, port.rts)))
    open_port("/dev/any", 9600, levels)
    assert opened == [(levels.dtr, levels.rts)]


@posix
def test_a_port_in_use(terminal: tuple[int, str]) -> None:
    _, device = terminal
    with open_port(device, 9600), pytest.raises(PortError, match=f"{device}: another program has it; close"):
        open_port(device, 9600)


@posix
def test_a_port_that_is_lost(terminal: tuple[int, str]) -> None:
    _, device = terminal
    other, slave = os.openpty()
    port = open_port(os.ttyname(slave), 9600)
    os.close(slave)
    os.close(other)
    port._timeout = 1  # setting it properly would fail on the lost port already
    with pytest.raises(serial.SerialException) as caught:
        port.read(1)
    assert "the port was lost; look at the plug" in explain(device, caught.value).message
    port.close()


@pytest.mark.parametrize(
    ("url", "message"),
    [
        pytest.param("/dev/no-such-port", "there is no such port; plug the instrument in", marks=posix),
        pytest.param("/", "it is not a serial port; write a device", marks=posix),
        pytest.param("/dev/null", "it is not a serial port; write a device", marks=posix),
        ("warp://x", "invalid URL, protocol 'warp' not known; write a device such as"),
        ("socket://127.0.0.1", "the port number is missing or wrong; write socket://HOST:PORT"),
        ("socket://127.0.0.1:many", "the port number is missing or wrong; write socket://HOST:PORT"),
        ("rfc2217://127.0.0.1", "the port number is missing or wrong; write rfc2217://HOST:PORT"),
        ("socket://nowhere.invalid:5025", "there is no machine of that name"),
    ],
)
def test_a_port_that_is_none(url: str, message: str) -> None:
    with pytest.raises(PortError) as caught:
        open_port(url, 9600)
    assert caught.value.message.startswith(f"{url}: {message}")
    assert "\n" not in caught.value.message
    assert caught.value.exit_code == 2


def test_nothing_listens_at_a_socket() -> None:
    with socket.create_server(("127.0.0.1", 0)) as listener:
        number = listener.getsockname()[1]
    with pytest.raises(PortError, match="nothing listens there; start the instrument first"):
        open_port(f"socket://127.0.0.1:{number}", 9600)


def test_a_socket_that_hangs_up_may_be_busy() -> None:
    with socket.create_server(("127.0.0.1", 0)) as listener:
        url = f"socket://127.0.0.1:{listener.getsockname()[1]}"
        with open_port(url, 9600) as port:
            listener.accept()[0].close()
            port.timeout = 5
            with pytest.raises(serial.SerialException) as caught:
                port.read(1)
    assert "whether another program has it" in explain(url, caught.value).message


@pytest.mark.parametrize("number", [13, 1])
def test_permission_denied_says_how_to_get_it(number: int, monkeypatch: pytest.MonkeyPatch) -> None:
    def refused(port: serial.Serial) -> None:
        raise serial.SerialException(number, f"could not open port {port.port}: {os.strerror(number)}")

    monkeypatch.setattr(serial.Serial, "open", refused)
    with pytest.raises(PortError, match="you may not open it; on Debian join its group with `sudo adduser "):
        open_port("/dev/ttyUSB0", 9600)
