"""Purposes about rough treatment: bytes of any kind, lines without end, floods, pauses, breaks.

Whatever was done, the instrument afterwards is alive, has not booted, is in the same state with the same
settings, and what holds in that state still holds (`_unmoved`). Nothing here means anything to a good
instrument, so nothing energises; a gate may still have the source disconnected first (`gate`).
"""

from __future__ import annotations

import os
import re
import select
from collections.abc import Iterable
from contextlib import suppress

import serial

from wirevow.protocol.conformance.gate import NotSelected
from wirevow.protocol.conformance.plain import HOST_SLACK_NS
from wirevow.protocol.conformance.purposes import purpose
from wirevow.protocol.conformance.purposes.looking import laws_hold
from wirevow.protocol.conformance.purposes.meddling import a_number, put_line
from wirevow.protocol.conformance.tester import Tester
from wirevow.protocol.document.requirements import Requirement

CHUNKS = 12
CHUNK = 80
LONGEST = 70_000
LONGEST_RUNNING = 3_000
"""Bytes of the longest line: past what 16 bits count, where bytes take no time."""
FLOOD = 8
"""A flood has so many times the requests that may wait."""
UNREAD = 20_000
"""Bytes of requests whose answers nobody reads; Linux keeps 4 to 8 kB for a port (from memory)."""
BABBLE_NS = 120 * 10**9
"""It is not waited longer for the end of what comes."""
UNREAD_S = 2.0
STUCK_S = 0.3
"""A port that takes nothing for so long is full."""
LOOKED_AT = 6
"""Settings that are asked afterwards."""
_PSEUDO = re.compile(r"/dev/(pts/\d+|tty[p-za-e]\w|ttys\d{3})")
"""Names of pseudo-terminals, on Linux and on the BSDs."""


def _unmoved(t: Tester) -> None:
    """Nothing has come of it. The oracle knows what was so before."""
    if t.session.begun:
        t.raw(b"\n")
    t.quiet()
    t.ask("self.state")
    t.ask("self.boots")
    for entry in t.random.sample(list(t.vow.settings), min(LOOKED_AT, len(t.vow.settings))):
        t.ask(entry.name)
    laws_hold(t)


def _unjudged(t: Tester, wait_ns: int) -> None:
    """What comes for what was sent just now cannot be judged: let it come, and forget it."""
    if t.session.held:
        t.session.settle()
    else:
        t.session.wait(t.session.left_ns - t.now_ns + wait_ns)
        patience_ns = t.deadline_ns + HOST_SLACK_NS
        end_ns = t.now_ns + BABBLE_NS
        while (quiet_ns := t.now_ns - t.session.heard_ns) < patience_ns and t.now_ns < end_ns:
            t.session.wait(patience_ns - quiet_ns)
    t.session.discard()
    t.oracle.twin.accepted_ns = t.now_ns
    t.oracle.twin.forget_request()
    t.oracle.twin.number_known = False


@purpose("wire", "resync", 4)
def hostile_bytes(t: Tester, r: Requirement) -> None:
    """Random bytes, and those that drivers, terminals and string functions take for something else."""
    special: Iterable[bytes] = (
        b"\x00",
        b"\x00" * 200,
        b"\xff" * 200,
        b"\x11\x13" * 20,
        b"\x13",
        b"\x11",
        b"\x03\x04\x1a\x1c",
        b"\x1b[2J\x1b]0;x\x07\x1b[6n",
        b"%s%n%d%x" * 8,
        b"\x08" * 50,
        b"\r" * 50,
        "Ω°µ".encode() * 8,
        bytes(value for value in range(256) if value != 0x0A),
    )
    for each in special:
        t.raw(each + b"\n")
    for _ in range(CHUNKS):
        t.raw(t.random.randbytes(CHUNK) + b"\n")
    _unmoved(t)


@purpose("wire", "length", 4)
def endless_lines(t: Tester, r: Requirement) -> None:
    """Lines far too long, and such that every byte could begin a command."""
    entry = a_number(t)
    command = put_line(t, entry, entry.number.high).encode() + b" "
    longest = LONGEST if t.session.held else LONGEST_RUNNING
    for size in (1_000, longest):
        t.raw(b"y" * size + b"\n")
        t.raw(b"\x00" * size + b"\n")
        t.raw((command * (size // len(command) + 1))[:size] + b"\n", pieces=5)
    _unmoved(t)


@purpose("wire", "order", 4)
def flood(t: Tester, r: Requirement) -> None:
    """As many requests as may wait, byte by byte; then many more than that, and nothing read meanwhile."""
    wire = t.vow.document.wire
    t.raw(b"ask self.state\n" * wire.pipeline, pieces=wire.pipeline * 15)
    t.quiet()
    # More than may wait: which of them are answered is not promised.
    count = FLOOD * wire.pipeline
    t.session.send(b"ask self.state\n" * count)
    t.lines += count
    _unjudged(t, min(count * wire.reply_deadline, 10**9))
    t.raw(b"\n")
    _unmoved(t)


@purpose("wire", "order", 5)
def flood_unread(t: Tester, r: Requirement) -> None:
    """Requests until nothing more goes through, because nobody reads the answers; then all are read."""
    descriptor = t.session.descriptor
    if descriptor is None or t.session.held:
        raise NotSelected("a port that fills up needs a system's own port, and a clock that runs")
    line = b"ask self.state\n"
    rate = t.vow.document.wire.baud // 10
    data = line * (min(UNREAD, int(rate * UNREAD_S)) // len(line))
    t.quiet()
    t.session.admit(data)
    written = _poured(descriptor, data)
    t.session.sent += written
    t.session.begun = data[:written].rpartition(b"\n")[2]
    t.lines += written // len(line)
    _unjudged(t, t.deadline_ns + HOST_SLACK_NS)
    t.raw(b"\n")
    _unmoved(t)


def _poured(descriptor: int, data: bytes) -> int:
    """Write until all is written or nothing more is taken; how much that was."""
    written = 0
    while written < len(data) and select.select([], [descriptor], [], STUCK_S)[1]:
        with suppress(BlockingIOError):
            written += os.write(descriptor, data[written : written + CHUNK])
    return written


@purpose("wire", "resync", 4)
def line_faults(t: Tester, r: Requirement) -> None:
    """Breaks, and bytes at another rate, where the port is a real one."""
    port = _real_port(t)
    t.raw(b"\xff\n")  # what hostile bytes may need to be done before is done
    port.send_break(0.05)
    port.write(b"\n")
    t.session.sent += 1
    _unjudged(t, t.deadline_ns + HOST_SLACK_NS)
    t.raw(b"\n")
    _unmoved(t)
    rate = port.baudrate
    for other in (rate // 2, rate * 2):
        try:
            port.baudrate = other
        except (ValueError, OSError, serial.SerialException):
            continue  # not every adapter has every rate
        sent = b"ask self.state\n" * 4
        port.write(sent)
        port.flush()
        t.session.sent += len(sent)
        port.baudrate = rate
        _unjudged(t, t.deadline_ns + HOST_SLACK_NS)
        # It may have read a begun line, which an LF ends with an answer, or none.
        port.write(b"\n")
        t.session.sent += 1
        _unjudged(t, t.deadline_ns + HOST_SLACK_NS)
        _unmoved(t)


def _real_port(t: Tester) -> serial.Serial:
    """The port, if it is one that has a line to break."""
    descriptor = t.session.descriptor
    if descriptor is None or t.session.held or not os.isatty(descriptor):
        raise NotSelected("breaks and other rates need a real serial port")
    if _PSEUDO.fullmatch(os.ttyname(descriptor)):
        raise NotSelected("breaks and other rates need a real serial port, and this is a pseudo-terminal")
    return t.session.port
