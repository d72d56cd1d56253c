"""The recorder: between a host program and a device, everything that passes goes into a journal first.

One thread carries bytes, asleep until there are some. Each piece is written to the journal, then passed on:
whatever one side has heard of the other is in the journal. A second thread has the disk keep what was written
(`SYNC_S`), so that a slow disk holds nothing up.
"""

from __future__ import annotations

import os
import random
import stat
import threading
import time
from contextlib import suppress
from pathlib import Path
from typing import TYPE_CHECKING, NoReturn

from wirevow.emu.ports.adapter import AdapterPort
from wirevow.emu.ports.endpoint import Endpoint, Host, heard, left_of
from wirevow.emu.ports.waiter import BRISK_S, READ, WRITE, make_waiter, wait_awake
from wirevow.protocol.conformance.interrupts import Interrupted, Interrupts
from wirevow.protocol.errors import WirevowError
from wirevow.protocol.journal.layout import MOST_BYTES, Head, Kind, head_bytes, record_bytes
from wirevow.protocol.message import Reply, Request, parse_answer
from wirevow.protocol.serialport import PortError

if TYPE_CHECKING:
    from wirevow.protocol.vow import Vow

SYNC_S = 1.0
"""What was written is with the disk after about so long; a power failure can take what is younger."""
_ANSWER_S = 0.2
"""How long the device is waited for before the safe action is sent again, and how often that is."""
_TRIES = 2
_MOST_DRAINED = 16
"""Reads of either side; one that goes on talking is not heard out."""
_SHOWN = 60
_HOST, _DEVICE = int(Kind.HOST), int(Kind.DEVICE)
"""An enumeration's member takes four times as long to pack."""


class JournalWriter:
    """A journal being written; never over another file."""

    def __init__(self, path: str | Path, head: Head) -> None:
        """Begin it. Raises WirevowError."""
        self.path = Path(path)
        self._clock = time.monotonic_ns
        self._failure: OSError | None = None
        self._unsynced = False
        self._stop = threading.Event()
        flags = os.O_WRONLY | os.O_APPEND | getattr(os, "O_BINARY", 0) | getattr(os, "O_CLOEXEC", 0)
        try:
            try:
                self._file = os.open(path, flags | os.O_CREAT | os.O_EXCL, 0o666)
            except FileExistsError:
                if stat.S_ISREG(os.stat(path).st_mode):
                    raise
                self._file = os.open(path, flags)
        except FileExistsError:
            raise WirevowError(
                f"{path}: there is such a file already; name another, or move it away"
            ) from None
        except OSError as error:
            raise WirevowError(
                f"{path}: the journal cannot be made ({error.strerror}); name another place"
            ) from None
        self._began_ns = self._clock()
        self._size = 0
        try:
            self._append(head_bytes(head))
        except BaseException:
            os.close(self._file)
            raise
        self._thread = threading.Thread(target=self._sync, daemon=True)
        self._thread.start()

    def add(self, kind: int, data: bytes = b"") -> None:
        """Append a record of now. Raises WirevowError if it cannot be, with all before it kept."""
        self._append(record_bytes(kind, self._clock() - self._began_ns, data))

    def _append(self, data: bytes) -> None:
        try:
            if self._failure is not None:
                raise self._failure
            written = os.write(self._file, data)
            if written != len(data):
                self._finish(data[written:])
        except OSError as error:
            self._shorten()
            raise WirevowError(
                f"{self.path}: the journal cannot be written any more ({error.strerror}); what is in it is"
                " whole. Make room, and record into another file"
            ) from None
        self._size += len(data)
        self._unsynced = True

    def _finish(self, rest: bytes) -> None:
        while rest:
            rest = rest[os.write(self._file, rest) :]

    def _shorten(self) -> None:
        """Leave no half record."""
        with suppress(OSError):  # no file of a disk
            os.ftruncate(self._file, self._size)

    def _sync(self) -> None:
        while not self._stop.wait(SYNC_S):
            self._keep()

    def _keep(self) -> None:
        if not self._unsynced:
            return
        self._unsynced = False
        try:
            os.fsync(self._file)
        except OSError as error:
            if stat.S_ISREG(os.fstat(self._file).st_mode):
                self._failure = error

    def close(self) -> None:
        """With the disk, all of it."""
        self._stop.set()
        self._thread.join()
        self._keep()
        os.close(self._file)


class Recorder:
    """Carries bytes between the host program at an endpoint and the device at a port.

    Where it ends while a host program is there, that program can no longer make the device safe: it is done
    for it, if there is a document (`vow`) that says how.
    """

    def __init__(
        self, endpoint: Endpoint, device: AdapterPort, journal: JournalWriter, vow: Vow | None = None
    ) -> None:
        self._endpoint = endpoint
        self._port = device
        self._journal = journal
        self._vow = vow
        device.changes()
        assert device.host is not None
        self._device = device.host
        self._host: Host | None = None
        self._to_host = self._to_device = b""
        """In the journal, and not yet taken by the other side; while there is any, its sender is not read."""
        self._interrupts = Interrupts()
        self._waiter = make_waiter(punctual=False)
        self._plain: tuple[list[tuple[int, int]] | None, list[tuple[int, int]] | None] = None, None
        """What the waiter says when one side, or the other, has sent something and nothing else happened."""
        self.from_host = self.from_device = 0
        """Bytes so far."""
        self.warnings: list[str] = []
        """After the end: what the person has to be told loudly."""

    def run(self) -> None:
        """Until a signal, which acts when everything is in order, or an error.

        Raises PortError when the device is lost, WirevowError when the journal cannot be written any more.
        """
        interrupts = self._interrupts
        with interrupts.handled():
            try:
                with suppress(Interrupted):
                    self._greet(self._endpoint.changes())
                    while True:
                        self._turn(self._ready())
                self._drain()
                self._leave_safe()
                self._journal.add(Kind.END, b"a signal ended it")
            except PortError as error:
                self._alarm("the port is lost")
                self._journal.add(Kind.END, error.message.encode()[:MOST_BYTES])
                raise
            except WirevowError:
                self._leave_safe()
                raise
            finally:
                self._waiter.close()
                interrupts.act()

    # -------------------------------------------------------------------------------------- a safe way out

    def _drain(self) -> None:
        """What was under way when the end came goes through yet."""
        for _ in range(_MOST_DRAINED):
            before = self.from_host, self.from_device
            if self._host is not None and not self._to_device:
                self._from_host()
            if not self._to_host:
                self._from_device()
            if before == (self.from_host, self.from_device):
                return

    def _leave_safe(self) -> None:
        if self._host is None or not self.from_host:
            return
        action = None if self._vow is None else self._vow.document.trial.safe
        if action is None:
            self._alarm("no document says how to make it safe")
        elif not self._confirmed("act", action):
            self._alarm(f"{action} was not confirmed")
        elif self._vow is not None and (guard := self._vow.system_name("guard")) is not None:
            self._confirmed("put", guard, "off")  # our check has turned it on

    def _confirmed(self, verb: str, name: str, *arguments: str) -> bool:
        """Whether the device has done this, within a few tries."""
        request = Request(f"@{random.randrange(0x1000, 0x10000):x}", verb, name, arguments, True)
        line = b"\n" + request.line() + b"\n"
        self._waiter.watch([self._device.descriptor], [])
        begun = b""
        for _ in range(_TRIES):
            with suppress(OSError):
                self._device.write(line)
            with suppress(WirevowError):
                self._journal.add(Kind.OWN, line)
            until = time.monotonic() + _ANSWER_S
            while (left_s := until - time.monotonic()) > 0:
                if not self._waiter.wait(left_s):
                    break
                data = heard(self._device)
                if data is None:
                    continue
                if not data:
                    return False
                with suppress(WirevowError):
                    self._journal.add(Kind.DEVICE, data)
                *lines, begun = (begun + data).split(b"\n")
                for each in lines:
                    answer = parse_answer(each.removesuffix(b"\r"))
                    if isinstance(answer, Reply) and answer.tag == request.tag:
                        return answer.ok
        return False

    def _alarm(self, why: str) -> None:
        if self._host is not None and self.from_host:
            self.warnings.append(
                f"{self._port.address}: a host program was cut off, and {why}. THE DEVICE MAY STILL BE"
                " HANDLING POWER: look at it, and disconnect the source by hand."
            )

    # ------------------------------------------------------------------------------------------------ turns

    def _ready(self) -> list[tuple[int, int]]:
        """Carry bytes while nothing else happens, in as few steps as can be; what else there is to do."""
        wait, now, add = self._waiter.wait, time.perf_counter, self._journal.add
        from_host, from_device = self._plain
        device, host = self._device, self._host
        patience_s = self._endpoint.look_again_s if host is None else None
        brisk = False  # the last bytes came soon after those before: the next ones are waited for awake
        while True:
            ready = wait(0)
            if not ready:
                begun = now()
                ready = wait_awake(self._waiter, begun + BRISK_S) if brisk else []
                if not ready:
                    ready = wait(patience_s)
                    brisk = now() - begun < BRISK_S
            if host is not None and ready == from_host:
                kind, side, to = _HOST, host, device
            elif host is not None and ready == from_device:
                kind, side, to = _DEVICE, device, host
            else:
                return ready
            data = heard(side)
            if data is None:
                return ready
            if not data:  # an end is told once
                if kind == _DEVICE:
                    self._lost()
                self._greet(self._endpoint.lost())
                return []
            try:
                add(kind, data)
            except WirevowError as error:
                raise self._unrecorded(Kind(kind), data, error) from None
            try:
                written = to.write(data)
            except OSError:  # full, or gone: `_turn` will find out which
                written = 0
            if kind == _HOST:
                self.from_host += len(data)
            else:
                self.from_device += len(data)
            if written != len(data):
                if kind == _HOST:
                    self._to_device = data[written:]
                else:
                    self._to_host = data[written:]
                self._arrange()
                return []

    def _turn(self, ready: list[tuple[int, int]]) -> None:
        """Everything else, in its order."""
        descriptors = {descriptor for descriptor, _ in ready}
        readable = {descriptor for descriptor, mask in ready if mask != WRITE}
        if self._interrupts.waker in descriptors:
            self._interrupts.woken()
        host = self._host
        if self._device.descriptor in descriptors:
            self._send_to_device()
            if self._device.descriptor in readable and not self._to_host:
                self._from_device()
        if host is not None and host.descriptor in descriptors:
            self._send_to_host()
            if host.descriptor in readable and not self._to_device and self._host is host:
                self._from_host()
        if not ready or descriptors & set(self._endpoint.watched()):
            self._greet(self._endpoint.changes())
        self._arrange()

    def _arrange(self) -> None:
        """Say what is waited for."""
        readers = list(self._endpoint.watched())
        if self._interrupts.waker is not None:
            readers.append(self._interrupts.waker)
        writers, senders = [], []
        for side, to_it, to_other in (
            (self._device, self._to_device, self._to_host),
            (self._host, self._to_host, self._to_device),
        ):
            if side is not None and to_it:
                writers.append(side.descriptor)
            if side is not None and not to_other:
                senders.append(side.descriptor)
        plainly = not writers and self._host is not None
        self._plain = (
            [(self._host.descriptor, READ)] if plainly and self._host is not None else None,
            [(self._device.descriptor, READ)] if plainly else None,
        )
        self._waiter.watch([*readers, *senders], writers)

    def _greet(self, changes: list[bool]) -> None:
        for opened in changes:
            if not opened and (words := self._endpoint.last_words()):
                self._record_host(words)
            self._journal.add(Kind.OPENED if opened else Kind.CLOSED)
            self._to_host = b""
        self._host = self._endpoint.host
        self._arrange()

    # ------------------------------------------------------------------------------------------------ bytes

    def _from_host(self) -> None:
        host = self._host
        assert host is not None
        data = heard(host)
        if data:
            self._record_host(data)
        elif data is not None:
            self._greet(self._endpoint.lost())

    def _record_host(self, data: bytes) -> None:
        self.from_host += len(data)
        self._record(Kind.HOST, data)
        self._to_device += data
        self._send_to_device()

    def _from_device(self) -> None:
        data = heard(self._device)
        if data is None:
            return
        if not data:
            self._lost()
        self.from_device += len(data)
        self._record(Kind.DEVICE, data)
        if self._host is not None:
            self._to_host += data
            self._send_to_host()

    def _record(self, kind: Kind, data: bytes) -> None:
        try:
            self._journal.add(kind, data)
        except WirevowError as error:
            raise self._unrecorded(kind, data, error) from None

    def _unrecorded(self, kind: Kind, data: bytes, error: WirevowError) -> WirevowError:
        """The journal cannot be written. These bytes are passed on all the same: they may be what makes the
        device safe."""
        to = self._device if kind is Kind.HOST else self._host
        with suppress(OSError):
            if to is not None:
                to.write(data)
        side = "host" if kind is Kind.HOST else "device"
        return WirevowError(
            f"{error.message}. The last {len(data)} bytes from the {side} were passed on and are not in it:"
            f" {data[:_SHOWN]!r}"
        )

    def _send_to_device(self) -> None:
        if self._to_device:
            left = left_of(self._to_device, self._device)
            if left is None:
                self._lost()
            self._to_device = left

    def _send_to_host(self) -> None:
        if self._to_host and self._host is not None:
            left = left_of(self._to_host, self._host)
            if left is None:
                self._greet(self._endpoint.lost())
            else:
                self._to_host = left

    def _lost(self) -> NoReturn:
        raise PortError(
            f"{self._port.address}: the port was lost; look at the plug and whether the device is still"
            f" running. {self._journal.path} is whole"
        )
