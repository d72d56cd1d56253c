"""A `wirevow panel` of one's own for a test: the command itself, in a process of its own."""

import signal
import subprocess
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from urllib.parse import urlsplit


@dataclass(frozen=True)
class Serving:
    """What the command has printed."""

    page: str
    port: str | None
    process: subprocess.Popen[str]

    @property
    def place(self) -> str:
        """HOST:PORT of the page."""
        return urlsplit(self.page).netloc

    @property
    def key(self) -> str:
        return urlsplit(self.page).fragment


def _started(*arguments: str) -> subprocess.Popen[str]:
    return subprocess.Popen(
        [sys.executable, "-c", "from wirevow.emu.command import main; main()", *arguments],
        stdout=subprocess.PIPE,
        text=True,
    )


def _ended(process: subprocess.Popen[str]) -> None:
    if process.poll() is None:
        process.send_signal(signal.SIGINT)
        process.wait(10)
    if process.stdout is not None:
        process.stdout.close()


@contextmanager
def emulated(*arguments: str) -> Iterator[str]:
    """Another process that has an instrument; its port."""
    process = _started("emulate", *arguments, "--listen", "tcp:127.0.0.1:0")
    try:
        assert process.stdout is not None
        yield process.stdout.readline().split()[1]
    finally:
        _ended(process)


@contextmanager
def panel(*arguments: str) -> Iterator[Serving]:
    """Serve until the block ends, by Ctrl-C."""
    process = _started("panel", *arguments)
    try:
        assert process.stdout is not None
        port = None
        for line in process.stdout:
            word, _, rest = line.strip().partition(" ")
            if word == "port":
                port = rest
            if word == "page":
                yield Serving(rest, port, process)
                break
        else:
            raise AssertionError("the panel printed no address")
    finally:
        _ended(process)
