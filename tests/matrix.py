"""A good instrument at every kind of port, on every kind of clock, in every profile: nothing of it may fail.

`cells()` are all there are; `looked_at` checks one, with the requirements that are asked for.
"""

from __future__ import annotations

import contextlib
import os
import socket
import subprocess
import sys
import threading
from collections.abc import Iterator
from dataclasses import dataclass, replace
from itertools import product
from pathlib import Path

import pytest
import serial
from serial.rfc2217 import PortManager

import wirevow
from wirevow.emu.direct import direct_tester
from wirevow.emu.faults import build_instrument
from wirevow.emu.ports.rig import InstrumentRig
from wirevow.emu.ports.rigport import RigPort
from wirevow.emu.ports.server import Server, open_endpoint
from wirevow.protocol.conformance import campaign
from wirevow.protocol.conformance.rig import Hello
from wirevow.protocol.conformance.selection import selected
from wirevow.protocol.document.requirements import requirements

ENVELOPE = Path(__file__).parents[1] / "spec" / "envelopes" / "tarn-supply.yaml"
PORTS = ("in process", "emu", "pty", "tcp", "rfc2217")
CLOCKS = ("held", "real", "9600", "115200", "load")
PROFILES = ("full", "dry", "envelope", "alone")
"""`alone` is within an envelope, with no hands on the bench: of the rig there is only the clock."""
SEED = 3


@dataclass(frozen=True, slots=True)
class Cell:
    """`clock`: held, real, real and paced at so many baud, or real while the machine is busy.

    `document`: its name, or its path. The envelope is Tarn's.
    """

    port: str
    clock: str
    profile: str
    document: str = "tarn"

    def __str__(self) -> str:
        return f"{Path(self.document).stem}: {self.port}, {self.clock}, {self.profile}"


def cells() -> list[Cell]:
    """Every cell with Tarn. In the host's own process time is always virtual, and there is no profile."""
    every = (Cell(*each) for each in product(PORTS, CLOCKS, PROFILES))
    virtual = ("in process", "emu")
    return [
        cell
        for cell in every
        if (cell.clock == "held" or cell.port not in virtual)
        # Where the clock runs there is no rig within an envelope anyway.
        and (cell.clock == "held" or cell.profile != "alone")
        and (cell.port != "in process" or cell.profile == "full")
    ]


def looked_at(cell: Cell, only: tuple[str, ...], budget: int | None = None) -> tuple[str, list[str], str]:
    """Check a cell: the verdict, what failed or could not be judged, and the digest of the bytes."""
    if cell.port == "in process":
        vow = wirevow.load(cell.document)
        tester = direct_tester(vow, build_instrument(vow, seed=SEED), seed=SEED, budget=budget or 10**9)
        chosen = selected([each.id for each in requirements(vow.document)], only) if only else None
        report = campaign.run(tester, seed=SEED, only=chosen)
        failed = [f"{each.requirement}: {each.sent}: {each.seen}" for each in report.failures]
        return str(report.verdict), failed, report.bytes_sha256
    envelope = ENVELOPE if cell.profile in ("envelope", "alone") else None
    with _posing(cell), _connected(cell) as (port, rig), _busy(cell.clock == "load"):
        boots = wirevow.load(cell.document).document.wire.opening.resets
        outcome = wirevow.check(
            cell.document,
            port,
            rig=rig,
            seed=SEED,
            envelope=envelope,
            budget=budget,
            only=only,
            allow=("boot",) if boots and cell.profile != "full" else (),
        )
    assert outcome.held == (cell.clock == "held")
    assert outcome.profile.name == ("envelope" if cell.profile == "alone" else cell.profile)
    troubles = [
        f"{row.id}: {row.reason}" for row in outcome.rows if row.verdict not in ("pass", "not selected")
    ]
    return outcome.verdict, troubles, outcome.bytes_sha256


@contextlib.contextmanager
def _posing(cell: Cell) -> Iterator[None]:
    """The rig says what the cell needs: that nothing is simulated, or that its clock cannot be held."""
    hello = InstrumentRig.hello

    def posing(rig: InstrumentRig) -> Hello:
        said = hello(rig)
        abilities = said.abilities if cell.clock == "held" else said.abilities - {"hold", "advance"}
        if cell.profile == "alone":
            said, abilities = replace(said, events=frozenset()), abilities & {"hold", "advance"}
        return replace(said, simulated=cell.profile == "full", abilities=abilities)

    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(InstrumentRig, "hello", posing)
        yield


@contextlib.contextmanager
def _connected(cell: Cell) -> Iterator[tuple[str, str | None]]:
    """A new instrument where the cell wants it: port and rig."""
    if cell.port == "emu":
        yield f"emu://{cell.document}?seed={SEED}", None
        return
    vow = wirevow.load(cell.document)
    endpoint = open_endpoint("pty" if cell.port == "pty" else "tcp:127.0.0.1:0")
    server = Server(
        build_instrument(vow, seed=SEED), endpoint, int(cell.clock) if cell.clock.isdigit() else None
    )
    rig = None
    if cell.clock == "held" or cell.profile == "full":
        server.rig = desk = RigPort("tcp:127.0.0.1:0", server.line, server.clock, vow.identity[0])
        rig = desk.address
    thread = threading.Thread(target=server.run)
    thread.start()
    try:
        if cell.port == "rfc2217":
            with _over_rfc2217(endpoint.address) as address:
                yield address, rig
        else:
            yield endpoint.address, rig
    finally:
        server.stop()
        thread.join(10)
        assert not thread.is_alive(), "the server did not end"


@contextlib.contextmanager
def _busy(busy: bool) -> Iterator[None]:
    """Twice as many programs as there are processors, that never rest."""
    count = 2 * (os.cpu_count() or 1) if busy else 0
    programs = [subprocess.Popen([sys.executable, "-c", "while True: pass"]) for _ in range(count)]
    try:
        yield
    finally:
        for program in programs:
            program.kill()
            program.wait()


class _Telnet:
    """What a port manager writes its answers to."""

    def __init__(self, connection: socket.socket) -> None:
        self._connection = connection
        self._turn = threading.Lock()

    def write(self, data: bytes) -> None:
        with self._turn, contextlib.suppress(OSError):
            self._connection.sendall(data)


@contextlib.contextmanager
def _over_rfc2217(target: str) -> Iterator[str]:
    """The port at `target` behind an access server (RFC 2217), for one host."""
    listener = socket.create_server(("127.0.0.1", 0))
    threads: list[threading.Thread] = []

    def serve() -> None:
        connection, _ = listener.accept()
        connection.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
        port = serial.serial_for_url(target, timeout=0.05)
        telnet = _Telnet(connection)
        manager = PortManager(port, telnet)
        gone = threading.Event()

        def outward() -> None:
            with contextlib.suppress(serial.SerialException, OSError):
                while not gone.is_set():
                    telnet.write(b"".join(manager.escape(port.read(1) + port.read(port.in_waiting))))

        threads.append(threading.Thread(target=outward))
        threads[-1].start()
        with contextlib.suppress(OSError):
            while data := connection.recv(4096):
                port.write(b"".join(manager.filter(data)))
        gone.set()
        threads[-1].join(5)
        port.close()
        connection.close()

    with listener:
        server = threading.Thread(target=serve, daemon=True)
        server.start()
        yield f"rfc2217://127.0.0.1:{listener.getsockname()[1]}"
        server.join(5)
