"""A simulated instrument at a real port: `wirevow emulate` in a process of its own."""

import contextlib
import subprocess
import sys
from collections.abc import Iterator

COMMAND = (sys.executable, "-c", "from wirevow.emu.command import main; main()", "emulate")


@contextlib.contextmanager
def serving(listen: str = "pty", *options: str, doc: str = "tarn") -> Iterator[str]:
    """The URL of its port."""
    command = [*COMMAND, doc, "--listen", listen, *options]
    with subprocess.Popen(command, stdout=subprocess.PIPE, text=True) as process:
        try:
            assert process.stdout is not None
            where = process.stdout.readline().split()[1]
            yield where.replace("tcp:", "socket://")
        finally:
            process.terminate()
