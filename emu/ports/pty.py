"""A pseudo-terminal as the serial port: hosts open it like any serial device."""

import contextlib
import ctypes
import os
import struct
import sys
import time
from collections.abc import Sequence
from pathlib import Path

from wirevow.emu.ports.endpoint import FileHost, Host
from wirevow.protocol.serialport import PortError

IN_CLOSE = 0x08 | 0x10
IN_OPEN = 0x20
_EVENT = struct.Struct("iIII")
"""Masks and layout of `struct inotify_event`: inotify(7) of the Linux manual pages."""

CLOSING_S = 0.005
"""A terminal that is being closed is so long open yet, at most, when it is told already."""
PROBE_S = 0.05
"""How often the port is probed for a host where the kernel does not tell (a blink for a person)."""


class PseudoTerminal:
    """The instrument's end of a pseudo-terminal.

    `link`: a path that stays the same from run to run, made a symbolic link to the terminal. One
    left behind by an earlier run is replaced; anything else there is a PortError.

    With no host the kernel answers every read at the master's end with an error at once, so the
    master is only watched while a host is there. Linux tells when the terminal is opened and closed
    (inotify), even when both happen between two looks; elsewhere it is probed. Equal events in a row are
    told once, so they tell that hosts came and went, not how many there are: whether any is there is asked
    of the terminal itself. Two hosts at once cannot be told apart: the first to come opens the port, the
    last to leave closes it. What a host
    left unread stays in the terminal for the next one, as in the driver of a real port.
    """

    def __init__(self, link: str | None = None) -> None:
        if sys.platform == "win32":
            raise PortError("there are no pseudo-terminals on this system: use --listen tcp:127.0.0.1:0")
        import tty

        try:
            self._master, slave = os.openpty()
        except OSError as error:
            raise PortError(
                f"no pseudo-terminal could be made ({error.strerror}): use --listen tcp:127.0.0.1:0"
            ) from error
        self.device = os.ttyname(slave)
        tty.setraw(slave)
        os.close(slave)
        os.set_blocking(self._master, False)
        self._link = None
        self._watch: int | None = None
        try:
            if link is not None:
                self._link = _make_link(Path(link), self.device)
            self._watch = _watch_opening(self.device)
        except BaseException:
            self.close()
            raise
        self.address = self.device if link is None else link
        self.host: Host | None = None
        self._attached = FileHost(self._master)
        self.look_again_s = PROBE_S if self._watch is None else None
        self._hosts = 0

    def watched(self) -> Sequence[int]:
        return () if self._watch is None else (self._watch,)

    def changes(self) -> list[bool]:
        if self._watch is None:
            return self._probe()
        changes: list[bool] = []
        while True:
            for mask in _events(self._watch):
                was_open = self._hosts > 0
                if mask & IN_OPEN:
                    self._hosts += 1
                elif mask & IN_CLOSE and was_open:
                    self._hosts -= 1
                if (self._hosts > 0) != was_open:
                    changes.append(not was_open)
            gone = _hung_up(self._master)
            if gone == (self._hosts == 0):
                break
            if gone and not _told(self._watch):
                self._hosts = 0  # the going of several was told once
                changes.append(False)
                break
            if not gone and not self._closing(self._watch):
                self._hosts = 1  # the coming of several was told once, so the last one has not gone
                if changes:
                    changes.pop()
                else:
                    changes.append(True)
                break
        if changes:
            self.host = self._attached if changes[-1] else None
        return changes

    def _closing(self, watch: int) -> bool:
        """Whether a terminal that should be closed by now will be at once, or more is told."""
        until = time.monotonic() + CLOSING_S
        while not _told(watch) and not _hung_up(self._master):
            if time.monotonic() > until:
                return False
            time.sleep(0)
        return True

    def lost(self) -> list[bool]:
        if self._watch is not None:
            return self.changes()
        self.host = None
        return [False]

    def _probe(self) -> list[bool]:
        if self.host is not None:
            return []
        try:
            # Reads nothing: it fails with EIO without a host and succeeds with one.
            os.read(self._master, 0)
            if not _hung_up(self._master):
                self.host = self._attached
                return [True]
        except OSError:
            pass
        return []

    def last_words(self) -> bytes:
        words = b""
        if self.host is not None:
            return words  # what has come may be its own
        with contextlib.suppress(OSError):
            while data := self._attached.read():
                words += data
        return words

    def close(self) -> None:
        if self._link is not None:
            with contextlib.suppress(OSError):
                if os.readlink(self._link) == self.device:
                    self._link.unlink()
        for descriptor in (self._master, self._watch):
            if descriptor is not None:
                with contextlib.suppress(OSError):
                    os.close(descriptor)


def _hung_up(descriptor: int) -> bool:
    import select

    poll = select.poll()
    poll.register(descriptor, 0)
    return any(mask & select.POLLHUP for _, mask in poll.poll(0))


def _told(watch: int) -> bool:
    """Whether there are events to read."""
    import select

    poll = select.poll()
    poll.register(watch, select.POLLIN)
    return bool(poll.poll(0))


def _make_link(link: Path, device: str) -> Path:
    try:
        if os.path.lexists(link):
            target = os.readlink(link) if link.is_symlink() else None
            stale = (
                target is not None
                and target.startswith(os.path.dirname(device))
                and (
                    # The kernel gives numbers out again: a link to our own new terminal is an old one too.
                    target == device or not os.path.exists(target)
                )
            )
            if not stale:
                what = "already exists" if target is None else f"already leads to {target}"
                raise PortError(f"{link}: {what}; remove it if nothing uses it, or choose another --link")
        # Made aside and renamed, so that nobody ever finds the link missing.
        aside = link.with_name(f".{link.name}.{os.getpid()}")
        aside.symlink_to(device)
        os.replace(aside, link)
    except OSError as error:
        raise PortError(
            f"{link}: the link could not be made ({error.strerror}); choose a --link in a folder of yours"
        ) from error
    return link


def _watch_opening(device: str) -> int | None:
    """An inotify descriptor that tells when `device` is opened and closed, or None where there is none."""
    try:
        libc = ctypes.CDLL(None, use_errno=True)
        descriptor: int = libc.inotify_init1(os.O_NONBLOCK | os.O_CLOEXEC)
        if descriptor < 0:
            return None
        if libc.inotify_add_watch(descriptor, os.fsencode(device), IN_OPEN | IN_CLOSE) < 0:
            os.close(descriptor)
            return None
    except (AttributeError, OSError):
        return None
    return descriptor


def _events(descriptor: int) -> list[int]:
    masks: list[int] = []
    try:
        data = os.read(descriptor, 65536)
    except BlockingIOError:
        return masks
    at = 0
    while at < len(data):
        _, mask, _, length = _EVENT.unpack_from(data, at)
        at += _EVENT.size + length
        masks.append(mask)
    return masks
