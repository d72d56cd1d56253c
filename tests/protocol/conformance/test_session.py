"""Bytes and time between the checker and a port."""

from __future__ import annotations

import os
import socket
import tty
from collections.abc import Iterator, Sequence
from contextlib import suppress
from decimal import Decimal
from typing import cast

import pytest
import serial

import wirevow  # noqa: F401  (teaches pyserial emu://)
from tests.protocol.conformance.instruments import served, vow_of
from wirevow.emu.clock import VirtualClock
from wirevow.emu.direct import DirectPort, direct_tester
from wirevow.emu.faults import build_instrument
from wirevow.emu.ports.line import Line
from wirevow.emu.ports.rig import InstrumentRig
from wirevow.protocol.conformance import tester
from wirevow.protocol.conformance.rig import open_rig
from wirevow.protocol.conformance.session import Session
from wirevow.protocol.framing import Overlong
from wirevow.protocol.serialport import PortError, open_port

MS = 1_000_000


@pytest.fixture
def held() -> Session:
    """A session with a simulated instrument whose clock is held, its boot's notice read."""
    vow = vow_of("tarn")
    session = direct_tester(vow, build_instrument(vow)).session
    session.wait(100 * MS)
    session.discard()
    return session


@pytest.fixture
def pair() -> Iterator[tuple[int, Session]]:
    """The far end of a pseudo-terminal, and a session at the near one, on the real clock."""
    master, slave = os.openpty()
    tty.setraw(slave)
    port = open_port(os.ttyname(slave), 115200)
    os.close(slave)
    yield master, Session(port, 96)
    port.close()
    with suppress(OSError):  # a test may have closed it
        os.close(master)


def test_lines_come_whole_and_in_order(pair: tuple[int, Session]) -> None:
    far, session = pair
    os.write(far, b"ok 1\r\nok")
    assert session.line(1000 * MS) == b"ok 1"
    assert session.line(5 * MS) is None
    os.write(far, b" 2\nok 3\n")
    assert session.line(1000 * MS) == b"ok 2"
    assert session.waiting
    assert session.line(0) == b"ok 3"
    assert not session.waiting


def test_what_has_come_can_be_forgotten_begun_lines_too(pair: tuple[int, Session]) -> None:
    far, session = pair
    os.write(far, b"stale\nhalf a li")
    session.wait(20 * MS)
    session.discard()
    os.write(far, b"ok\n")
    assert session.line(1000 * MS) == b"ok"


def test_a_flood_without_line_end_is_one_event(pair: tuple[int, Session]) -> None:
    far, session = pair
    os.write(far, b"x" * 2000 + b"\nok\n")
    assert isinstance(session.line(1000 * MS), Overlong)
    assert session.line(1000 * MS) == b"ok"


def test_bytes_go_out_as_they_are(pair: tuple[int, Session]) -> None:
    far, session = pair
    data = bytes(range(256))
    session.send(data)
    came = b""
    while len(came) < len(data):
        came += os.read(far, 4096)
    assert came == data
    assert session.sent == len(data)


def test_a_lost_port_is_a_port_error(pair: tuple[int, Session]) -> None:
    far, session = pair
    os.close(far)
    with pytest.raises(PortError, match="lost"):
        session.line(1000 * MS)
    with pytest.raises(PortError, match="lost"):
        session.send(b"x")


def test_a_wait_may_end_early_on_a_real_clock(pair: tuple[int, Session]) -> None:
    far, session = pair
    os.write(far, b"note 1 boot power\n")
    before_ns = session.now_ns()
    session.wait(60_000 * MS, until=lambda: session.waiting)
    assert session.waiting
    assert session.now_ns() - before_ns < 30_000 * MS


def test_a_held_clock_moves_by_waiting_alone(held: Session) -> None:
    before_ns = held.now_ns()
    held.send(b"ask self.uptime\n")
    assert held.line(0) is not None
    assert held.now_ns() == before_ns
    held.wait(1500 * MS)
    assert held.now_ns() == before_ns + 1500 * MS


def test_on_a_held_clock_silence_is_known_at_once(held: Session) -> None:
    before_ns = held.now_ns()
    assert held.line(20 * MS) is None
    assert held.now_ns() == before_ns + 20 * MS


def test_the_journal_has_everything_at_its_time(held: Session) -> None:
    held.journal.clear()
    began_ns = held.now_ns()
    held.send(b"ask self.state\n")
    held.line(0)
    held.wait(5 * MS)
    held.send(b"ask")
    assert [(entry.kind, entry.data, entry.ns, entry.when_ns - began_ns) for entry in held.journal] == [
        ("send", b"ask self.state\n", 0, 0),
        ("line", b"ok off", 0, 0),
        ("wait", b"", 5 * MS, 0),
        ("send", b"ask", 0, 5 * MS),
    ]


class Against(Exception):
    pass


class Forbid:
    """A gate against every line that begins with `act`."""

    def judge(self, lines: Sequence[bytes], begun: bytes, now_ns: int) -> None:
        if any(line.startswith(b"act") for line in (*lines, begun)):
            raise Against

    def sent(self, lines: Sequence[bytes], now_ns: int) -> None:
        pass

    def heard(self, line: bytes, now_ns: int) -> None:
        pass


@pytest.mark.parametrize("pieces", [[b"act x\n"], [b"ac", b"t x"], [b"ask y\nact x\n"], [b"a", b"c", b"t"]])
def test_no_byte_of_a_forbidden_line_that_completes_it_goes_out(pieces: list[bytes], held: Session) -> None:
    held.gate = Forbid()
    gone = b""

    def send(data: bytes) -> None:
        nonlocal gone
        held.send(data)
        gone += data

    for piece in pieces[:-1]:
        send(piece)
    with pytest.raises(Against):
        send(pieces[-1])
    assert not any(line.startswith(b"act") for line in gone.split(b"\n"))
    assert held.journal[-1].data != pieces[-1]


def test_lines_after_a_forbidden_one_go_out(held: Session) -> None:
    held.gate = Forbid()
    with pytest.raises(Against):
        held.send(b"act x\n")
    held.send(b"ask self.state\n")
    assert held.line(0) == b"ok off"


def test_a_clock_is_held_over_the_rig_s_socket_too() -> None:
    vow = vow_of("tarn")
    with served(build_instrument(vow)) as (address, endpoint):
        rig = open_rig(endpoint)
        session = Session(open_port(address, 115200), vow.document.wire.line_limit, rig)
        try:
            session.hold()
            session.discard()
            session.send(b"@1 ask self.uptime\n")
            first = cast(bytes, session.line(0))
            session.wait(3_600_000 * MS)
            session.send(b"@2 ask self.uptime\n")
            second = cast(bytes, session.line(0))
        finally:
            rig.close()
            session.port.close()
    assert int(second.split()[2]) - int(first.split()[2]) == 3600


@pytest.mark.parametrize("hand", ["bench", "power", "reset"])
def test_before_a_hand_is_laid_on_the_bench_all_that_was_sent_is_there(hand: str) -> None:
    # Bytes take a way of their own, which may be the longer one.
    vow = vow_of("tarn")
    line, clock = Line(build_instrument(vow)), VirtualClock()
    late = bytearray()
    there: list[int] = []

    class Rig(InstrumentRig):
        def arrived(self, sent: int) -> bool:
            line.receive(bytes(late), clock.now_ns())
            line.run(clock.now_ns())
            late.clear()
            return super().arrived(sent)

        def bench(self, event: str, value: float | str | None = None) -> None:
            there.append(line.received)
            super().bench(event, value)

        def power(self, on: bool) -> None:
            there.append(line.received)
            super().power(on)

        def reset(self) -> None:
            there.append(line.received)
            super().reset()

    class Port(DirectPort):
        def write(self, data: bytes) -> int:
            late.extend(data)
            return len(data)

    line.opened(0)
    session = Session(cast(serial.Serial, Port(line, clock)), 96, Rig(line, clock, "tarn"))
    session.hold()
    t = tester.Tester(vow, session, energise=True)
    t.acquaint()
    there.clear()
    session.send(b"ask self.sta")
    match hand:
        case "bench":
            t.bench("source.voltage", Decimal(5))
        case "power":
            t.power_cycle()
        case "reset":
            t.reset()
    assert set(there) == {session.sent}


@pytest.mark.parametrize("hand", ["power", "reset"])
def test_where_the_clock_runs_a_hand_waits_for_the_bytes_on_the_wire(hand: str) -> None:
    # A line that reaches the instrument only after its boot would be another one.
    vow = vow_of("tarn")
    with served(build_instrument(vow), pace=115200) as (address, endpoint):
        rig = open_rig(endpoint)
        session = Session(open_port(address, 115200), vow.document.wire.line_limit, rig)
        t = tester.Tester(vow, session, energise=True)
        try:
            t.acquaint()
            t.raw(b"x" * 300)
            {"power": t.power_cycle, "reset": t.reset}[hand]()
            assert t.ask("self.state").words == ("off",)
        finally:
            rig.close()
            session.port.close()


def test_where_the_clock_runs_notices_have_their_time_on_the_wire() -> None:
    vow = vow_of("tarn")
    with served(build_instrument(vow), pace=9600) as (address, endpoint):
        rig = open_rig(endpoint)
        session = Session(open_port(address, 9600), vow.document.wire.line_limit, rig)
        t = tester.Tester(vow, session, energise=True)
        try:
            t.acquaint()
            t.transmitter("stalled")
            for _ in range(vow.document.wire.notice_queue // 2):
                t.panel("panel.control", "local")
                t.panel("panel.control", "remote")
            t.transmitter("free")  # all that waited comes one after the other
            assert not t.oracle.twin.due
        finally:
            rig.close()
            session.port.close()


def test_over_tcp_short_lines_are_sent_at_once() -> None:
    with socket.create_server(("127.0.0.1", 0)) as listener:
        port = open_port(f"socket://127.0.0.1:{listener.getsockname()[1]}", 115200)
        connection = cast(socket.socket, port._socket)
        assert connection.getsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY)
        port.close()


def test_a_url_port_has_no_descriptor() -> None:
    port = serial.serial_for_url("emu://tarn", timeout=0)
    try:
        session = Session(port, 96)
        assert session.descriptor is None
        session.send(b"ask self.state\n")
        lines = [session.line(1000 * MS) for _ in range(2)]
        assert b"ok off" in lines
    finally:
        port.close()
