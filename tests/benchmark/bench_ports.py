"""What the simulator's port costs: round trips against a bare echo loop, and paced bytes against the wire."""

import contextlib
import os
import statistics
import subprocess
import sys
import time
import tty
from collections.abc import Iterator
from pathlib import Path

BARS = {
    "emulator_roundtrip_vs_echo": ("at least", 0.7),
    "paced_port_efficiency": ("at least", 0.9),
}

DOCUMENT = Path(__file__).parents[2] / "spec" / "tarn.yaml"
REQUESTS = [
    b"ask input.voltage\n",
    b"ask sink.level\n",
    b"ask self.uptime\n",
    b"put sink.level 1.000 A\n",
    b"ask input.current\n",
    b"ask limit.current\n",
    b"ask self.state\n",
    b"put sink.level 2.000 A\n",
]
"""What a host does that watches and adjusts: three asks, of readings, settings and the box itself, to a put
that changes the value. The input is off."""
ROUNDS = 15
TRIPS = 400
BAUD = 115200
PACED_TRIPS = 100


def echo() -> None:
    """The bare loop, in a process of its own: what it reads it writes."""
    master, slave = os.openpty()
    tty.setraw(slave)
    print(os.ttyname(slave), flush=True)
    while data := os.read(master, 4096):
        os.write(master, data)


def emulate(pace: int | None) -> None:
    """The demo instrument, in a process of its own."""
    from wirevow.emu.instrument import Instrument
    from wirevow.emu.ports.server import serve
    from wirevow.protocol.document.load import load_document
    from wirevow.protocol.vow import compile_vow

    instrument = Instrument(compile_vow(load_document(DOCUMENT).document))
    serve(instrument, "tarn", pace=pace, ready=lambda address, rig: print(address, flush=True))


@contextlib.contextmanager
def terminal(call: str) -> Iterator[str]:
    """The name of a terminal whose other end `call`, of this module, has in another process."""
    code = f"from {__name__} import *; {call}"
    with subprocess.Popen([sys.executable, "-c", code], stdout=subprocess.PIPE, text=True) as process:
        assert process.stdout is not None
        try:
            yield process.stdout.readline().strip()
        finally:
            process.kill()


@contextlib.contextmanager
def port(call: str) -> Iterator[int]:
    """The same terminal, open and raw."""
    with terminal(call) as name:
        descriptor = os.open(name, os.O_RDWR | os.O_NOCTTY)
        try:
            tty.setraw(descriptor)
            yield descriptor
        finally:
            os.close(descriptor)


def trip(descriptor: int, request: bytes) -> int:
    """One request and its answer; returns the answer's length."""
    os.write(descriptor, request)
    answer = os.read(descriptor, 4096)
    while not answer.endswith(b"\n"):
        answer += os.read(descriptor, 4096)
    return len(answer)


def seconds(descriptor: int) -> float:
    begun = time.perf_counter()
    for number in range(TRIPS):
        trip(descriptor, REQUESTS[number % len(REQUESTS)])
    return time.perf_counter() - begun


def paced() -> float:
    """Time of the bytes on an ideal wire (ten bits each, 8N1) over the time taken."""
    shares = []
    with port(f"emulate({BAUD})") as descriptor:
        os.write(descriptor, b"\n")
        trip(descriptor, REQUESTS[0])
        for number in range(PACED_TRIPS):
            request = REQUESTS[number % len(REQUESTS)]
            begun = time.perf_counter()
            characters = len(request) + trip(descriptor, request)
            shares.append(characters * 10 / BAUD / (time.perf_counter() - begun))
    return statistics.median(shares)


def measure() -> dict[str, float]:
    with port("echo()") as bare, port("emulate(None)") as emulated:
        trip(emulated, REQUESTS[0])
        seconds(bare)
        seconds(emulated)
        # Each round beside its own bare one, so that whatever else the machine does hits both.
        shares = [seconds(bare) / seconds(emulated) for _ in range(ROUNDS)]
    return {
        "emulator_roundtrip_vs_echo": statistics.median(shares),
        "paced_port_efficiency": paced(),
    }
