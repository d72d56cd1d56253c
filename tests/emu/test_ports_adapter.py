"""A serial adapter as the instrument's end of the wire; a raw terminal stands in for it."""

import os
import sys
import tty
from collections.abc import Iterator

import pytest
import serial

from tests.emu.serving import serving
from wirevow.emu.ports.adapter import AdapterPort
from wirevow.emu.ports.server import open_endpoint
from wirevow.protocol.serialport import PortError

pytestmark = pytest.mark.skipif(sys.platform == "win32", reason="no pseudo-terminals there")


@pytest.fixture
def cable() -> Iterator[tuple[int, str]]:
    """The host's end, as a descriptor, and the name of the instrument's."""
    master, slave = os.openpty()
    tty.setraw(slave)
    try:
        yield master, os.ttyname(slave)
    finally:
        os.close(master)
        os.close(slave)


def test_answers_whoever_is_at_the_other_end(cable: tuple[int, str]) -> None:
    master, device = cable
    with serving(device) as (fake, address, _):
        assert address == device
        os.write(master, b"ping x\n")
        assert os.read(master, 100) == b"ok x\n"
        assert fake.seen == [("opened",)]


def test_a_port_without_a_descriptor_will_do(cable: tuple[int, str], monkeypatch: pytest.MonkeyPatch) -> None:
    # As rfc2217:// and every port on Windows.
    monkeypatch.delattr(serial.Serial, "fileno")
    master, device = cable
    with serving(device):
        for word in (b"one", b"two"):
            os.write(master, b"ping " + word + b"\n")
            assert os.read(master, 100) == b"ok " + word + b"\n"


def test_two_instruments_cannot_have_one_adapter(cable: tuple[int, str]) -> None:
    _, device = cable
    with serving(device), pytest.raises(PortError, match="another program has it"):
        AdapterPort(device, 9600)


def test_an_adapter_that_goes_away_is_an_error() -> None:
    master, slave = os.openpty()
    endpoint = AdapterPort(os.ttyname(slave), 9600)
    try:
        assert endpoint.changes() == [True]
        os.close(slave)
        os.close(master)
        with pytest.raises(PortError, match="the adapter was lost; plug it in"):
            endpoint.lost()
    finally:
        endpoint.close()


def test_an_unknown_adapter_is_an_error() -> None:
    with pytest.raises(PortError, match=r"/dev/no-such-port: there is no such port"):
        open_endpoint("/dev/no-such-port")


def test_only_a_pseudo_terminal_has_a_link() -> None:
    with pytest.raises(PortError, match="--link is a name for a pseudo-terminal"):
        open_endpoint("tcp:127.0.0.1:0", "here")
