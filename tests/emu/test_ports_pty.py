"""The pseudo-terminal as an instrument's serial port."""

import os
import sys
import tty
from pathlib import Path

import pytest
import serial

import wirevow.emu.ports.pty
from tests.emu.serving import serving, until
from wirevow.protocol.serialport import PortError

pytestmark = pytest.mark.skipif(sys.platform == "win32", reason="no pseudo-terminals there")


def host(address: str) -> serial.Serial:
    return serial.Serial(address, timeout=30)


def test_answers_a_request() -> None:
    with serving() as (_, address, _), host(address) as port:
        port.write(b"ping one\nping two\n")
        assert port.read_until(b"two\n") == b"ok one\nok two\n"


def test_passes_every_byte_unchanged_in_both_directions() -> None:
    every = bytes(value for value in range(256) if value != 10) + b"\n"
    with serving() as (fake, address, _), host(address) as port:
        port.write(every)
        assert port.read(len(every)) == every
        assert fake.heard == every


def test_speaks_unasked_when_it_is_time() -> None:
    with serving() as (_, address, _), host(address) as port:
        port.write(b"later 0.05 tick\n")
        assert port.readline() == b"ok\n"
        assert port.readline() == b"note tick\n"


@pytest.mark.parametrize("watching", [True, False], ids=["told by the kernel", "probing"])
def test_lives_on_when_hosts_come_and_go(watching: bool, monkeypatch: pytest.MonkeyPatch) -> None:
    if not watching:
        monkeypatch.setattr(wirevow.emu.ports.pty, "_watch_opening", lambda device: None)
    with serving() as (fake, address, _):
        for visit in range(3):
            with host(address) as port:
                port.write(b"ping %d\n" % visit)
                assert port.readline() == b"ok %d\n" % visit
            until(lambda wanted=2 * (visit + 1): len(fake.seen) == wanted)  # type: ignore[misc]
        assert fake.seen == [("opened",), ("closed",)] * 3


@pytest.mark.skipif(sys.platform != "linux", reason="only Linux tells")
def test_notices_a_host_that_leaves_and_returns_at_once() -> None:
    with serving() as (fake, address, _), host(address) as port:
        for _ in range(5):
            port.close()
            port.open()
        port.write(b"ping x\n")
        assert port.readline() == b"ok x\n"
        assert fake.seen == [("opened",), ("closed",)] * 5 + [("opened",)]


@pytest.mark.skipif(sys.platform != "linux", reason="only Linux tells")
@pytest.mark.parametrize("leaving", [[0, 1], [1, 0]], ids=["the first leaves first", "the last leaves first"])
def test_hears_the_one_that_stays_of_two_that_opened_it_at_once(leaving: list[int]) -> None:
    for _ in range(5):
        with serving() as (fake, address, _):
            hosts = [os.open(address, os.O_RDWR | os.O_NOCTTY) for _ in range(2)]
            tty.setraw(hosts[0])
            goes, stays = (hosts[index] for index in leaving)
            os.close(goes)
            until(lambda: bool(fake.seen))
            os.write(stays, b"ping here\n")
            assert os.read(stays, 100) == b"ok here\n"
            os.close(stays)
            until(lambda: fake.seen == [("opened",), ("closed",)])
            with host(address) as port:
                port.write(b"ping again\n")
                assert port.readline() == b"ok again\n"


def test_hears_what_a_host_said_last() -> None:
    with serving() as (fake, address, _):
        with host(address) as port:
            port.write(b"last words\n")
        until(lambda: fake.heard == b"last words\n")


def test_what_it_says_to_nobody_is_not_kept_for_the_next_host() -> None:
    with serving() as (fake, address, _):
        with host(address) as port:
            port.write(b"later 0.02 lost\n")
            port.readline()
        until(lambda: not fake.next_event_ns())
        # Opened without pyserial, which would flush.
        descriptor = os.open(address, os.O_RDWR | os.O_NOCTTY)
        try:
            tty.setraw(descriptor)
            os.write(descriptor, b"ping here\n")
            assert os.read(descriptor, 100) == b"ok here\n"
        finally:
            os.close(descriptor)


def test_a_host_that_does_not_read_loses_nothing_and_keeps_the_instrument_in_bounds() -> None:
    with serving() as (fake, address, _), host(address) as port:
        port.write_timeout = 0.3
        with pytest.raises(serial.SerialTimeoutException):
            port.write(b"long 1000\n" * 10_000)
        # The kernel's buffers hold some; the instrument has not taken the rest.
        assert len(fake.heard) < 100_000
        answers = port.read(1000)
        assert answers == b"x" * 999 + b"\n"
        rest = b""
        while data := port.read(1000):
            rest += data
            port.timeout = 0.3
        assert set(rest.split(b"\n")) <= {b"x" * 999, b""}
        assert rest.count(b"\n") >= len(fake.heard.split(b"\n")) - 2


class TestLink:
    def test_leads_to_the_port_and_goes_with_it(self, tmp_path: Path) -> None:
        link = tmp_path / "sink"
        with serving(link=str(link)) as (_, address, _):
            assert address == str(link)
            with host(address) as port:
                port.write(b"ping x\n")
                assert port.readline() == b"ok x\n"
        assert not os.path.lexists(link)

    def test_replaces_one_that_an_earlier_run_left(self, tmp_path: Path) -> None:
        link = tmp_path / "sink"
        link.symlink_to("/dev/pts/987654")
        with serving(link=str(link)), host(str(link)) as port:
            port.write(b"ping x\n")
            assert port.readline() == b"ok x\n"

    def test_of_a_running_instrument_is_left_alone(self, tmp_path: Path) -> None:
        link = tmp_path / "sink"
        with serving(link=str(link)), pytest.raises(PortError, match="already leads to /dev/pts"):
            wirevow.emu.ports.pty.PseudoTerminal(str(link))

    def test_never_takes_the_place_of_a_file(self, tmp_path: Path) -> None:
        link = tmp_path / "sink"
        link.write_text("precious")
        with pytest.raises(PortError, match="sink: already exists; remove it"):
            wirevow.emu.ports.pty.PseudoTerminal(str(link))
        assert link.read_text() == "precious"

    def test_never_takes_the_place_of_a_link_to_something_else(self, tmp_path: Path) -> None:
        link = tmp_path / "sink"
        link.symlink_to(tmp_path / "nothing")
        with pytest.raises(PortError, match="already leads to"):
            wirevow.emu.ports.pty.PseudoTerminal(str(link))

    def test_in_no_folder_is_an_error(self, tmp_path: Path) -> None:
        with pytest.raises(PortError, match="could not be made"):
            wirevow.emu.ports.pty.PseudoTerminal(str(tmp_path / "no" / "folder"))

    def test_that_now_leads_elsewhere_is_not_removed(self, tmp_path: Path) -> None:
        link = tmp_path / "sink"
        with serving(link=str(link)):
            link.unlink()
            link.symlink_to("/dev/null")
        assert os.readlink(link) == "/dev/null"
