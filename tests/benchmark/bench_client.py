"""What the client costs: reads per second against a bare loop of pyserial, reading together against singly.

Both sides of each ratio talk to the same instrument, in a process of its own, on the same port, with the same
lines: a tag, a check, an answer whose tag, check and unit are looked at.

The bare loop reads with `readline`, as people do, which takes a system call a byte. One that is tuned, and
takes what `in_waiting` says, is about twice as fast: against that one the client has 0.6 to 0.8.
"""

import statistics
import time
from binascii import crc_hqx
from collections.abc import Callable
from functools import partial

import serial

import wirevow
from tests.benchmark.bench_ports import BAUD, terminal

BARS = {
    "client_reads_vs_bare": ("at least", 0.7),
    "client_pipelined_vs_serial": ("at least", 1.5),
}

TARN = wirevow.load("tarn")
READS = 200
ROUNDS = 40
PACED_ROUNDS = 7


def bare(port: serial.Serial, name: bytes, tag: int) -> float:
    """What a person writes by hand: send a line, read one, see that it is the answer."""
    body = b"@%x ask %b" % (tag, name)
    port.write(b"%b ~%04X\n" % (body, crc_hqx(body, 0xFFFF)))
    line = port.readline()
    body, _, check = line.rstrip(b"\n").rpartition(b" ~")
    if int(check, 16) != crc_hqx(body, 0xFFFF):
        raise ValueError(line)
    back, ok, number, unit = body.split(b" ")
    if back != b"@%x" % tag or ok != b"ok" or unit != b"V":
        raise ValueError(line)
    return float(number)


def per_second(read: Callable[[int], object]) -> float:
    begun = time.perf_counter()
    for index in range(READS):
        read(index)
    return READS / (time.perf_counter() - begun)


def reads() -> float:
    shares = []
    with terminal("emulate(None)") as url:
        # One host at a time has the port, so they take turns with it: each round beside its own bare one.
        for _ in range(ROUNDS):
            with serial.Serial(url, timeout=1) as port:
                port.write(b"\n")
                bare_rate = per_second(partial(bare, port, b"input.voltage"))
            with wirevow.connect(url, TARN) as client:
                read = client.input.voltage.read
                shares.append(per_second(lambda index, read=read: read()) / bare_rate)
    return statistics.median(shares)


def together() -> float:
    """Everything asked together over the same asked point by point, at the bytes' own pace."""
    shares = []
    with terminal(f"emulate({BAUD})") as url, wirevow.connect(url, TARN) as client:
        points = [client[name] for name in client.read("*")]
        for _ in range(PACED_ROUNDS):
            begun = time.perf_counter()
            for point in points:
                point.read()
            middle = time.perf_counter()
            client.read("*")
            shares.append((middle - begun) / (time.perf_counter() - middle))
    return statistics.median(shares)


def measure() -> dict[str, float]:
    return {"client_reads_vs_bare": reads(), "client_pipelined_vs_serial": together()}
