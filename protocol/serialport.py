"""Opening a serial port as a host: the lines set first, nobody else on it, errors that say what to do."""

import contextlib
import errno
import socket
import urllib.parse
from typing import Protocol

import serial

from wirevow.protocol.errors import WirevowError


class PortError(WirevowError):
    """A port that cannot be used, or was lost: which one, why, and what to do."""


class ModemLines(Protocol):
    """The levels that a document wants on the control lines when a port opens (`wire.opening`)."""

    @property
    def dtr(self) -> bool: ...

    @property
    def rts(self) -> bool: ...


def open_port(url: str, baud: int, opening: ModemLines | None = None) -> serial.Serial:
    """Open a device name or one of pyserial's URLs; `timeout` is 0: reads return what is there.

    DTR and RTS are set to what `opening` says before the port opens, because on many boards an edge
    on one of them is a reset. Raises PortError.
    """
    _check_network_url(url)
    try:
        port = serial.serial_for_url(url, baudrate=baud, timeout=0, do_not_open=True)
    except (ValueError, serial.SerialException) as error:
        raise PortError(f"{url}: {_first_line(error)}; {_WHAT_PORTS_ARE}") from error
    if opening is not None:
        port.dtr = opening.dtr
        port.rts = opening.rts
    with contextlib.suppress(NotImplementedError, ValueError, AttributeError):
        port.exclusive = True
    try:
        port.open()
    except (serial.SerialException, OSError, ValueError) as error:
        raise explain(url, error) from error
    _send_at_once(port)
    return port


def _send_at_once(port: serial.Serial) -> None:
    """Over TCP, keep no short line back until the one before it is acknowledged (RFC 9293, 3.7.4)."""
    connection = getattr(port, "_socket", None)
    if isinstance(connection, socket.socket):
        connection.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)


def _check_network_url(url: str) -> None:
    scheme, separator, _ = url.partition("://")
    if separator and scheme.lower() in ("socket", "rfc2217"):
        try:
            good = urllib.parse.urlsplit(url).port is not None
        except ValueError:
            good = False
        if not good:
            raise PortError(f"{url}: the port number is missing or wrong; write {scheme}://HOST:PORT")


_WHAT_PORTS_ARE = (
    "write a device such as /dev/ttyUSB0, or socket://HOST:PORT, rfc2217://HOST:PORT or emu://NAME"
)

_NOT_ALLOWED = (
    "you may not open it; on Debian join its group with `sudo adduser $USER dialout` and log in again"
)

_REMEDIES = {
    errno.ENOENT: f"there is no such port; plug the instrument in, or {_WHAT_PORTS_ARE}",
    errno.ENODEV: "nothing is plugged in there; plug the instrument in and look which port it becomes",
    errno.ENXIO: "nothing is plugged in there; plug the instrument in and look which port it becomes",
    errno.EACCES: _NOT_ALLOWED,
    errno.EPERM: _NOT_ALLOWED,
    errno.EBUSY: "another program has it; close that one first",
    errno.EAGAIN: "another program has it; close that one first",
    errno.ENOTTY: f"it is not a serial port; {_WHAT_PORTS_ARE}",
    errno.EISDIR: f"it is not a serial port; {_WHAT_PORTS_ARE}",
    errno.ECONNREFUSED: "nothing listens there; start the instrument first, and mind the port number",
    socket.EAI_NONAME: "there is no machine of that name; 127.0.0.1 is this one",
    errno.EIO: "the port was lost; look at the plug and whether the instrument is still running",
}


def explain(url: str, error: Exception) -> PortError:
    """What pyserial or the system said about a port, as a person can use it.

    For use on every exception that a port raises, when opening as well as later.
    """
    number = _number(error)
    if number in _REMEDIES:
        return PortError(f"{url}: {_REMEDIES[number]}.")
    text = _first_line(error)
    if "disconnected" in text or "returned no data" in text:
        return PortError(
            f"{url}: the port was lost; look at the plug, whether the instrument is still running, "
            "and whether another program has it."
        )
    return PortError(text if text.startswith(f"{url}: ") else f"{url}: {text}")


def _number(error: BaseException) -> int | None:
    """The system's error number, which pyserial leaves in the exception that it answers with its own."""
    seen: BaseException | None = error
    while seen is not None:
        # `termios.error` has the number but is no OSError.
        if seen.args and isinstance(seen.args[0], int):
            return seen.args[0]
        seen = seen.__cause__ or seen.__context__
    return None


def _first_line(error: Exception) -> str:
    return str(error).splitlines()[0].rstrip(".") if str(error) else type(error).__name__
