"""Any pyserial port as the instrument's end: a pair of serial adapters, a null-modem cable."""

import contextlib
import io
import os
import socket
import threading
from collections.abc import Sequence

import serial

from wirevow.emu.ports.endpoint import FileHost, Host, SocketHost
from wirevow.protocol.serialport import ModemLines, PortError, open_port

_LOOK_S = 0.1
"""How long the pump's read waits before it looks whether to end."""


class AdapterPort:
    """The instrument at the end of a serial adapter, whose other end some host has.

    Nobody tells whether a host is at the other end, so one is taken to be there from the start.
    When the adapter itself goes away, `lost` raises PortError.
    """

    look_again_s: float | None = None

    def __init__(self, url: str, baud: int, opening: ModemLines | None = None) -> None:
        self.address = url
        self._port = open_port(url, baud, opening)
        self._pump: _Pump | None = None
        self._attached: Host
        try:
            descriptor: int = self._port.fileno()
            os.set_blocking(descriptor, False)
            _tell_nothing_from_the_end(descriptor)
            self._attached = FileHost(descriptor)
        except (AttributeError, io.UnsupportedOperation, OSError):
            self._pump = _Pump(self._port)
            self._attached = SocketHost(self._pump.near, known=True)
        self.host: Host | None = None

    def watched(self) -> Sequence[int]:
        return ()

    def changes(self) -> list[bool]:
        if self.host is not None:
            return []
        self.host = self._attached
        return [True]

    def lost(self) -> list[bool]:
        raise PortError(f"{self.address}: the adapter was lost; plug it in and start again")

    def last_words(self) -> bytes:
        return b""  # its end comes after all it sent

    def close(self) -> None:
        if self._pump is not None:
            self._pump.close()
        with contextlib.suppress(serial.SerialException, OSError):
            self._port.close()


def _tell_nothing_from_the_end(descriptor: int) -> None:
    """A terminal as pyserial sets it (VMIN 0) reads b"" for nothing as well as at its end: termios(3)."""
    if os.isatty(descriptor):
        import termios

        settings = termios.tcgetattr(descriptor)
        settings[6][termios.VMIN] = 1
        termios.tcsetattr(descriptor, termios.TCSANOW, settings)


class _Pump:
    """Makes a pyserial port without a descriptor a socket (`near`): one thread each way through a pair."""

    def __init__(self, port: serial.Serial) -> None:
        self._port = port
        self._port.timeout = _LOOK_S
        self.near, self._far = socket.socketpair()
        self.near.setblocking(False)
        self._threads = [threading.Thread(target=work, daemon=True) for work in (self._inward, self._outward)]
        for thread in self._threads:
            thread.start()

    def _inward(self) -> None:
        try:
            while True:
                self._far.sendall(self._port.read(1) + self._port.read(self._port.in_waiting))
        except (OSError, TypeError):  # pyserial answers a close under way with either
            self._end()

    def _outward(self) -> None:
        try:
            while data := self._far.recv(4096):
                self._port.write(data)
        except (OSError, TypeError):
            pass
        self._end()

    def _end(self) -> None:
        with contextlib.suppress(OSError):
            self._far.shutdown(socket.SHUT_RDWR)

    def close(self) -> None:
        self._end()
        for thread in self._threads:
            thread.join()
        self.near.close()
        self._far.close()
