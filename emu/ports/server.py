"""Serves one instrument to hosts in other processes: one thread, asleep until something happens.

The way from request to answer is as short as it can be: read, `receive`, `take`, write; only then is
looked after anything else. What comes in is always in this order: hosts coming and going, the
host's bytes, the rig. So a rig's command finds done what the host did before it.
"""

import contextlib
import ctypes
import secrets
import signal
import socket
import sys
import threading
import time
from collections.abc import Callable
from typing import Protocol

from wirevow.emu.clock import RealClock
from wirevow.emu.ports.endpoint import Endpoint, Host, heard, left_of
from wirevow.emu.ports.interface import Drawing, Instrument, LookingAhead
from wirevow.emu.ports.line import INPUT_LIMIT, Line
from wirevow.emu.ports.waiter import BRISK_S, READ, WRITE, make_waiter, wait_awake

_GRAIN_NS = 1_000_000
"""Characters of a paced reply are shown at least this often: as a full-speed USB adapter does."""
_BREATH_S = 0.001
"""After an answer: how long the next request is waited for before looking what else is due."""
_HOSTS_TURN_S = 0.1
"""With time that jumps: how long a host that says nothing may think before it counts as waiting."""
_NEVER_NS = 7 * 24 * 3600 * 1_000_000_000
"""With time that jumps: nothing so far away is waited for."""
_LONGEST_S = 3600.0
"""Longest sleep at once: what systems take as a timeout is bounded."""
_SLACK_NS = 1000
_PR_SET_TIMERSLACK = 29  # linux/prctl.h; prctl(2)


class RigDesk(Protocol):
    """What the server asks of a rig endpoint (`rigport.RigPort`)."""

    @property
    def descriptor(self) -> int | None:
        """The client's, if there is one."""

    def watched(self) -> list[int]:
        """Descriptors that become readable when `serve` has something to do."""

    def serve(self) -> None:
        """Look after whoever comes, and do what has been asked for, as far as it can be done now."""

    def hear(self) -> None:
        """Only do what the client has asked for."""

    def wait_s(self) -> float | None:
        """Call `serve` again after at most so many seconds."""

    def close(self) -> None:
        """Hang up."""


class Server:
    """An instrument on a running clock, at one endpoint, with or without a rig.

    `pace`: baud rate that the bytes are held to, or None for as fast as they go. `speed`: seconds of the
    instrument in one of the machine; None for time that only jumps to what is waited for: the bytes under
    way, and, once the host says nothing and waits, what the instrument will say next.
    """

    def __init__(
        self, instrument: Instrument, endpoint: Endpoint, pace: int | None = None, speed: int | None = 1
    ) -> None:
        self._speed = speed or 1
        self._jumps = speed is None
        self._jumped_ns = 0
        self.clock = RealClock(
            (lambda: self._jumped_ns) if speed is None else (lambda: time.monotonic_ns() * self._speed),
            begun=False,
        )
        """It begins with the first host, or a rig holds it from the very beginning."""
        self.line = Line(instrument, pace, _GRAIN_NS)
        self.rig: RigDesk | None = None
        self._instrument = instrument
        self.endpoint = endpoint
        self._pending = b""
        """Taken from the line, not yet by the kernel; while there is any, nothing else is taken."""
        self._stopping = False
        self._brisk = False
        """The last one came back in less than `BRISK_S`."""
        if isinstance(instrument, Drawing):
            # Where a rig holds the clock everything comes again as before; otherwise nobody is to foresee it.
            instrument.draw_tickets(lambda: None if self.clock.held else secrets.randbits(16))
        self._waiter = make_waiter(punctual=pace is not None)
        self._waker, self._alarm = socket.socketpair()
        # Not blocking, because signals write to it too.
        self._waker.setblocking(False)
        self._alarm.setblocking(False)
        self._host: Host | None = None
        self._watched: frozenset[int] = frozenset()
        self._plain: list[tuple[int, int]] | None = None
        """What the waiter says when the host has sent something and nothing else happened."""
        self._hand: list[tuple[int, int]] | None = None
        """The same of the rig's client."""

    def stop(self) -> None:
        """End `run`; from any thread."""
        self._stopping = True
        with contextlib.suppress(OSError):
            self._waker.send(b"x")

    def set_speed(self, speed: int) -> None:
        """So many seconds of the instrument in one of the machine from now on; in the thread of `run`."""
        stood = self.clock.stands
        if not stood:
            self.clock.hold()
        self._speed = speed
        if not stood:
            self.clock.run()

    def run(self) -> None:
        """Serve until `stop` is called, or an exception (Ctrl-C) ends it. Leaves nothing behind."""
        wakes = threading.current_thread() is threading.main_thread()
        # Not every system's `select` ends when a signal comes.
        former = signal.set_wakeup_fd(self._waker.fileno(), warn_on_full_buffer=False) if wakes else -1
        try:
            if self.line.baud is not None:
                _wake_punctually()
            self._greet(self.endpoint.changes())
            self._arrange()
            wait = self._waiter.wait
            ready = wait(self._patience_s())
            while not self._stopping:
                if ready and ready == self._hand:
                    self._obey()
                elif self._plain is None or (ready and ready != self._plain):
                    self._tend(ready)
                elif self.line.baud is None and ready:
                    self._answer()
                else:
                    self._carry(ready)
                ready = self._jump() if self._jumps else self._presently() or wait(self._patience_s())
        finally:
            if wakes:
                signal.set_wakeup_fd(former)
            self.close()

    def close(self) -> None:
        """Leave nothing behind; `run` does it by itself."""
        self.endpoint.close()
        if self.rig is not None:
            self.rig.close()
        self._waiter.close()
        self._waker.close()
        self._alarm.close()

    def _presently(self) -> list[tuple[int, int]]:
        """What is there within a breath, if nothing is due sooner."""
        wait, now = self._waiter.wait, time.perf_counter
        breath_s, brisk_s = _BREATH_S, BRISK_S if self._brisk else 0.0
        if self.line.baud is not None and not self.clock.stands:
            patience_s = self._patience_s()
            if patience_s is not None and patience_s < breath_s:
                return wait(patience_s)
        begun = now()
        ready = wait(0)
        if not ready:
            # What an answer has left to do is done while the host reads it.
            self.line.next_ns()
            ready = wait(0)
        if not ready:
            ready = wait_awake(self._waiter, begun + brisk_s) or wait(breath_s)
        self._brisk = now() - begun < BRISK_S
        return ready

    def _jump(self) -> list[tuple[int, int]]:
        """Let time jump from one thing that is due to the next until something comes; what it is."""
        wait, line, clock = self._waiter.wait, self.line, self.clock
        waits = False
        while not (ready := wait(0)):
            if isinstance(self._instrument, LookingAhead):
                self._instrument.look_ahead()
            due_ns = line.next_ns()
            if self._host is None or self._pending:
                self._arrange()
                return wait(self._patience_s())
            if clock.stands or due_ns is None or due_ns - clock.now_ns() > _NEVER_NS:
                return wait(self._patience_s())
            if line.busy:
                waits = False
            elif not waits:
                if ready := wait(_HOSTS_TURN_S):
                    break
                waits = True
            self._jumped_ns += max(0, due_ns - clock.now_ns())
            self._run_line()
        return ready

    def _answer(self) -> None:
        """The short way: a host's bytes, and nothing else to do."""
        host = self._host
        assert host is not None
        data = heard(host)
        if data is None:
            return
        if not data:
            self._greet(self.endpoint.lost())
            self._arrange()
            return
        answer = self.line.exchange(data, self.clock.now_ns())
        if answer:
            try:
                written = host.write(answer)
            except OSError:  # full, or gone: `_write` will find out which
                written = 0
            if written != len(answer):
                self._pending = answer[written:]
                self._arrange()

    def _obey(self) -> None:
        """The rig's client, and nothing else to do."""
        rig, host = self.rig, self._host
        assert rig is not None
        at = rig.descriptor
        rig.hear()
        self._run_line()
        busy = self._pending or self.line.ready or rig.wait_s() is not None
        if busy or rig.descriptor != at or self._host is not host or self.line.waiting_in >= INPUT_LIMIT:
            self._arrange()

    def _carry(self, ready: list[tuple[int, int]]) -> None:
        """A host's bytes, or what was due by now, and nothing else."""
        host = self._host
        assert host is not None
        if ready:
            self._read(host)
        self._run_line()
        if self._host is not host or self._pending or self.line.waiting_in >= INPUT_LIMIT:
            self._arrange()

    def _tend(self, ready: list[tuple[int, int]]) -> None:
        """Everything else, in its order."""
        if any(descriptor == self._alarm.fileno() for descriptor, _ in ready):
            self._alarm.recv(4096)
        host = self._host
        probing = host is None and self.endpoint.look_again_s is not None
        if probing or any(descriptor in self._watched for descriptor, _ in ready):
            self._greet(self.endpoint.changes())
        # A host that came just now is heard in the next turn.
        if host is not None and host is self._host:
            if self._pending:
                self._write(b"")
            elif any(descriptor == host.descriptor and mask != WRITE for descriptor, mask in ready):
                self._read(host)
        self._run_line()
        if self.rig is not None:
            self.rig.serve()
            self._run_line()
        self._arrange()

    def _read(self, host: Host) -> None:
        data = heard(host)
        if data:
            self.line.receive(data, self.clock.now_ns())
        elif data is not None:
            self._greet(self.endpoint.lost())

    def _write(self, data: bytes) -> None:
        self._pending += data
        if self._host is None:
            self._pending = b""
        elif self._pending:
            left = left_of(self._pending, self._host)
            if left is None:
                self._greet(self.endpoint.lost())
            else:
                self._pending = left

    def _run_line(self) -> None:
        """Everything that is due, and what came of it to the host."""
        self.line.run(self.clock.now_ns())
        if not self._pending and self.line.ready:
            self._write(self.line.take())

    def _greet(self, changes: list[bool]) -> None:
        for opened in changes:
            self._pending = b""
            if opened:
                self.clock.begin()
                self.line.opened(self.clock.now_ns())
            else:
                if words := self.endpoint.last_words():
                    self.line.receive(words, self.clock.now_ns())
                self.line.closed(self.clock.now_ns())
        self._host = self.endpoint.host

    def _patience_s(self) -> float | None:
        """How long nothing can happen by itself."""
        wait_s = self.endpoint.look_again_s if self._host is None else None
        if self.rig is not None:
            rig_s = self.rig.wait_s()
            if rig_s is not None and (wait_s is None or rig_s < wait_s):
                wait_s = rig_s
        clock = self.clock
        if not clock.stands and not self._jumps:
            due_ns = self.line.next_ns()
            if due_ns is not None:
                due_s = min(max(0, due_ns - clock.now_ns()) / 1e9 / self._speed, _LONGEST_S)
                if wait_s is None or due_s < wait_s:
                    wait_s = due_s
        return wait_s

    def _arrange(self) -> None:
        """Say what is waited for."""
        self._watched = frozenset(self.endpoint.watched())
        readers = [self._alarm.fileno(), *self._watched]
        if self.rig is not None:
            readers += self.rig.watched()
        writers: list[int] = []
        self._plain = self._hand = None
        host = self._host
        if host is not None:
            if self._pending:
                writers.append(host.descriptor)
            elif self.line.waiting_in < INPUT_LIMIT:
                readers.append(host.descriptor)
                # A rig that waits for the host's bytes has to be told of them, so no short way then.
                awaited = self.rig is not None and self.rig.wait_s() is not None
                if not self.line.ready and not awaited:
                    self._plain = [(host.descriptor, READ)]
                    hand = self.rig.descriptor if self.rig is not None else None
                    self._hand = None if hand is None else [(hand, READ)]
        self._waiter.watch(readers, writers)


def _wake_punctually() -> None:
    """Ask Linux to wake this thread within a microsecond of the time; it takes 50 otherwise."""
    if sys.platform == "linux":
        with contextlib.suppress(OSError, AttributeError):
            ctypes.CDLL(None).prctl(_PR_SET_TIMERSLACK, _SLACK_NS, 0, 0, 0)


def open_endpoint(where: str, link: str | None = None, baud: int = 115200, public: bool = False) -> Endpoint:
    """The endpoint that `--listen` names: `pty`, `tcp:HOST:PORT`, or a port as pyserial spells it.

    Raises PortError.
    """
    from wirevow.protocol.serialport import PortError

    if where == "pty":
        from wirevow.emu.ports.pty import PseudoTerminal

        return PseudoTerminal(link)
    if link is not None:
        raise PortError(f"--link is a name for a pseudo-terminal; with --listen {where} leave it out")
    if where.startswith("tcp:"):
        from wirevow.emu.ports.tcp import TcpPort

        return TcpPort(where, public)
    from wirevow.emu.ports.adapter import AdapterPort

    return AdapterPort(where, baud)


def serve(
    instrument: Instrument,
    document: str,
    *,
    listen: str = "pty",
    link: str | None = None,
    pace: int | None = None,
    baud: int = 115200,
    rig: str | None = None,
    public: bool = False,
    speed: int | None = 1,
    ready: Callable[[str, str | None], None],
) -> None:
    """Serve `instrument` until interrupted (KeyboardInterrupt is let through).

    `document`: its name, for the rig's greeting. `baud`: rate of a serial adapter. `rig`: where the
    rig listens (`tcp:HOST:PORT`), or None. `public`: where other machines reach it is allowed. `speed`:
    seconds of the instrument in one of the machine, None for time that jumps. `ready` is called once with
    the addresses of port and rig. Raises PortError.
    """
    server = Server(instrument, open_endpoint(listen, link, pace or baud, public), pace, speed)
    address = server.endpoint.address
    try:
        if rig is not None:
            from wirevow.emu.ports.rigport import RigPort

            server.rig = desk = RigPort(rig, server.line, server.clock, document, public)
            ready(address, desk.address)
        else:
            ready(address, None)
    except BaseException:
        server.close()
        raise
    server.run()
