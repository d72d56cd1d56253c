"""Devices behind a pseudo-terminal in the test's own process: good ones, and ones with something wrong."""

import contextlib
import functools
import os
import select
import threading
import time
import tty
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

from wirevow.emu.instrument import Instrument
from wirevow.emu.ports.address import find
from wirevow.protocol.document import load, vet
from wirevow.protocol.vow import compile_vow


class HangUp(Exception):
    """The device goes away, as a plug that is pulled."""


class Device:
    """Says nothing to anybody; the others build on it."""

    def __init__(self) -> None:
        self.lines: list[bytes] = []
        self._begun = b""

    def receive(self, data: bytes) -> bytes:
        """Bytes from the host; returns what is said to them."""
        *lines, self._begun = (self._begun + data).split(b"\n")
        self.lines += lines
        return b"".join(self.answer(line) for line in lines)

    def answer(self, line: bytes) -> bytes:
        return b""

    def idle(self) -> bytes:
        """What it says unasked; called every few milliseconds."""
        return b""


class Tarn(Device):
    """The demo instrument. `before` sees every line first, and may hang up, or answer instead."""

    def __init__(self, before: Callable[["Tarn", bytes], bytes | None] | None = None) -> None:
        super().__init__()
        self.instrument = Instrument(compile_vow(load.load_document(find("tarn")).document))
        self._began_ns = time.monotonic_ns()
        self._before = before
        self._given = 0
        """Bytes of the begun line that the instrument has already."""
        self.instrument.opened(0)

    def _now_ns(self) -> int:
        return time.monotonic_ns() - self._began_ns

    def receive(self, data: bytes) -> bytes:
        said = super().receive(data)
        # The instrument has what is begun at once, and knows since when; unless somebody sees lines first.
        if self._before is None and len(self._begun) > self._given:
            self.instrument.receive(self._begun[self._given :], self._now_ns())
            self._given = len(self._begun)
        return said

    def answer(self, line: bytes) -> bytes:
        instead = None if self._before is None else self._before(self, line)
        if instead is not None:
            return instead
        self.instrument.receive(line[self._given :] + b"\n", self._now_ns())
        self._given = 0
        return self.instrument.take()

    def idle(self) -> bytes:
        self.instrument.advance(self._now_ns())
        return self.instrument.take()


@contextlib.contextmanager
def read_once() -> Iterator[None]:
    """Documents do not change meanwhile, and reading one takes longer than most short checks."""
    judged: dict[tuple[str, str, bool], vet.Findings] = {}

    def vet_once(loaded, terminals=None, judge=vet.vet):
        key = loaded.name, loaded.source.sha256, terminals is None
        if key not in judged:
            judged[key] = judge(loaded, terminals)
        return judged[key]

    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(load, "load_document", functools.cache(load.load_document))
        patch.setattr(vet, "vet", vet_once)
        yield


@contextlib.contextmanager
def plugged_in(device: Device, folder: Path) -> Iterator[str]:
    """The name of a port with the device on it."""
    master, slave = os.openpty()
    tty.setraw(slave)
    os.set_blocking(master, False)
    name = folder / "port"
    name.symlink_to(os.ttyname(slave))
    stopping = threading.Event()

    def serve() -> None:
        try:
            while not stopping.is_set():
                said = b""
                if select.select([master], [], [], 0.003)[0]:
                    said = device.receive(os.read(master, 4096))
                said += device.idle()
                with contextlib.suppress(BlockingIOError):  # nobody reads: it is lost, as on a wire
                    os.write(master, said)
        except (HangUp, OSError):
            pass
        finally:
            os.close(master)

    thread = threading.Thread(target=serve)
    thread.start()
    try:
        yield str(name)
    finally:
        stopping.set()
        thread.join(10)
        os.close(slave)
        assert not thread.is_alive(), "the device did not stop"
