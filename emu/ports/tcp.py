"""A TCP socket as the serial port, for systems without pseudo-terminals and for other machines.

Hosts open it with pyserial's `socket://HOST:PORT`.
"""

import contextlib
import ipaddress
import os
import select
import socket
from collections.abc import Sequence

from wirevow.emu.ports.endpoint import Host, SocketHost
from wirevow.protocol.serialport import PortError

BUSY = b"busy: another host has this instrument\n"
_REFUSED_KEPT = 8
"""Refused hosts whose connections are kept until they have read the refusal."""


def split_address(text: str) -> tuple[str, int]:
    """HOST and PORT of `tcp:HOST:PORT`; the host part may be empty (loopback) or in brackets (IPv6)."""
    host, colon, port = text.removeprefix("tcp:").rpartition(":")
    if not colon or not port.isascii() or not port.isdigit() or int(port) > 65535:
        raise PortError(f"{text}: write tcp:HOST:PORT, for example tcp:127.0.0.1:0 (0 is any free port)")
    return host.strip("[]") or "127.0.0.1", int(port)


def listen(text: str, public: bool = False) -> socket.socket:
    """A listening socket, not blocking, at `tcp:HOST:PORT`; if `public`, other machines may reach it."""
    host, port = split_address(text)
    try:
        family, _, _, _, where = socket.getaddrinfo(host, port, type=socket.SOCK_STREAM)[0]
        if not public and not is_loopback(str(where[0])):
            raise PortError(
                f"{text}: other machines reach {where[0]}, and whoever connects has the instrument; "
                "write 127.0.0.1, or add --public if that is meant"
            )
        return _bound(socket.socket(family, socket.SOCK_STREAM), where)
    except socket.gaierror as error:
        raise PortError(f"{text}: no such host ({error.strerror}); 127.0.0.1 is this machine") from error
    except OSError as error:
        raise PortError(
            f"{text}: cannot listen there ({error.strerror}); choose another port, or 0 for any free one"
        ) from error


def is_loopback(host: str) -> bool:
    """Whether only this machine reaches that address."""
    return ipaddress.ip_address(host.partition("%")[0]).is_loopback


def _bound(listener: socket.socket, where: object) -> socket.socket:
    try:
        if os.name == "posix":
            # Elsewhere this option would let two programs have the same port.
            listener.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        listener.bind(where)  # type: ignore[arg-type]
        listener.listen()
        listener.setblocking(False)
    except BaseException:
        listener.close()
        raise
    return listener


def place(listener: socket.socket) -> str:
    """HOST:PORT of a listening socket, with the port it was given."""
    host, port = listener.getsockname()[:2]
    return f"[{host}]:{port}" if ":" in host else f"{host}:{port}"


def hung_up(connection: socket.socket) -> bool:
    """Whether the other end has hung up, and only what it had sent before is still to be read.

    The one who comes next may be heard of first.
    """
    if hasattr(select, "POLLRDHUP"):
        poll = select.poll()
        poll.register(connection, select.POLLRDHUP)
        return bool(poll.poll(0))
    try:
        # Behind bytes that are not read yet an end is not seen: not every system tells of it.
        return not connection.recv(1, socket.MSG_PEEK)
    except BlockingIOError:
        return False
    except OSError:
        return True


class Refusals:
    """Connections that nobody serves: each gets one line, and is closed when it has read it."""

    def __init__(self, line: bytes) -> None:
        self._line = line
        self._leaving: list[socket.socket] = []

    def refuse(self, connection: socket.socket, line: bytes | None = None) -> None:
        connection.setblocking(False)
        with contextlib.suppress(OSError):
            connection.send(self._line if line is None else line)
            # Closing at once could reset the connection and take the line with it.
            connection.shutdown(socket.SHUT_WR)
        self._leaving.append(connection)
        if len(self._leaving) > _REFUSED_KEPT:
            self._leaving.pop(0).close()

    def watched(self) -> list[int]:
        return [connection.fileno() for connection in self._leaving]

    def tend(self) -> None:
        staying = []
        for connection in self._leaving:
            try:
                gone = not connection.recv(4096)
            except BlockingIOError:
                gone = False
            except OSError:
                gone = True
            if gone:
                connection.close()
            else:
                staying.append(connection)
        self._leaving = staying

    def close(self) -> None:
        for connection in self._leaving:
            connection.close()


class TcpPort:
    """The instrument's end of a TCP port. One host at a time; another is told so and hung up on."""

    look_again_s: float | None = None

    def __init__(self, text: str, public: bool = False) -> None:
        self._listener = listen(text, public)
        self.address = f"socket://{place(self._listener)}"
        self.host: Host | None = None
        self._connection: socket.socket | None = None
        self._last_words = b""
        self._refusals = Refusals(BUSY)

    def watched(self) -> Sequence[int]:
        return [self._listener.fileno(), *self._refusals.watched()]

    def changes(self) -> list[bool]:
        self._refusals.tend()
        try:
            connection, _ = self._listener.accept()
        except OSError:  # nobody, or gone again already
            return []
        left = self._connection is not None and hung_up(self._connection)
        if left:
            self._last_words = self._rest()
            self.lost()
        elif self._connection is not None:
            self._refusals.refuse(connection)
            return []
        connection.setblocking(False)
        connection.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
        self._connection = connection
        self.host = SocketHost(connection)
        return [False, True] if left else [True]

    def lost(self) -> list[bool]:
        if self._connection is not None:
            self._connection.close()
        self._connection = self.host = None
        return [False]

    def last_words(self) -> bytes:
        # Of one that was lost there are none: its end comes after all it sent.
        words, self._last_words = self._last_words, b""
        return words

    def _rest(self) -> bytes:
        """What the host that has hung up had sent before."""
        rest = b""
        with contextlib.suppress(OSError):
            while self.host is not None and (data := self.host.read()):
                rest += data
        return rest

    def close(self) -> None:
        self._refusals.close()
        if self._connection is not None:
            self._connection.close()
        self._listener.close()
