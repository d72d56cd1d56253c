"""A command at a terminal of 100 columns, as its person sees it: keys in, a screen out."""

from __future__ import annotations

import os
import pty
import select
import signal
import struct
import subprocess
import sys
import time
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager, suppress

import pyte

COLUMNS, ROWS = 100, 40
PATIENCE_S = 30.0


class Terminal:
    """`lines` is what is on the screen, blank ends cut."""

    def __init__(self, process: subprocess.Popen[bytes], descriptor: int) -> None:
        self.process = process
        self._descriptor = descriptor
        self._screen = pyte.Screen(COLUMNS, ROWS)
        self._screen.write_process_input = self.type  # the answer to a question for the cursor's place
        self._stream = pyte.ByteStream(self._screen)
        self.raw = b""
        """Every byte that was written to it."""

    @property
    def lines(self) -> list[str]:
        return [line.rstrip() for line in self._screen.display]

    def type(self, keys: str) -> None:
        os.write(self._descriptor, keys.encode())

    def until(self, condition: Callable[[list[str]], bool]) -> list[str]:
        """The screen once `condition` holds for it."""
        end = time.monotonic() + PATIENCE_S
        while not condition(self.lines):
            assert time.monotonic() < end, "\n".join(self.lines)
            self._take(0.2)
        return self.lines

    def shows(self, text: str) -> list[str]:
        """The screen once it shows `text`."""
        return self.until(lambda lines: any(text in line for line in lines))

    def asks(self, prompt: str) -> list[str]:
        """The screen once a new line is asked for; a key typed before is not raw, and Ctrl-D then lost."""
        return self.until(lambda lines: [line for line in lines if line][-1:] == [prompt])

    def ended(self) -> int:
        """The status with which the command ends."""
        end = time.monotonic() + PATIENCE_S
        while self.process.poll() is None:
            assert time.monotonic() < end, "\n".join(self.lines)
            self._take(0.1)
        while self._take(0.0):
            pass
        return self.process.returncode

    def _take(self, wait_s: float) -> bool:
        if not select.select([self._descriptor], [], [], wait_s)[0]:
            return False
        data = b""
        with suppress(OSError):  # the other end is closed
            data = os.read(self._descriptor, 65536)
        self.raw += data
        self._stream.feed(data)
        return bool(data)


@contextmanager
def at_terminal(arguments: Sequence[str], **environment: str) -> Iterator[Terminal]:
    """The `wirevow` command with these arguments; ended at the end of the block."""
    import fcntl
    import termios

    ours, its = pty.openpty()
    fcntl.ioctl(its, termios.TIOCSWINSZ, struct.pack("HHHH", ROWS, COLUMNS, 0, 0))
    process = subprocess.Popen(
        [sys.executable, "-c", "from wirevow.emu.command import main; main()", *arguments],
        preexec_fn=lambda: os.login_tty(its),
        pass_fds=(its,),
        env={**os.environ, "TERM": "xterm", **environment},
    )
    os.close(its)
    try:
        yield Terminal(process, ours)
    finally:
        if process.poll() is None:
            process.send_signal(signal.SIGKILL)
        process.wait()
        os.close(ours)
