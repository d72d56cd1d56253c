"""`wirevow record` in a process of its own, before a simulated instrument in this one.

    python -m tests.emu.recorded [KILLS]

kills so many recorders (200), each at another random moment, and looks at what is left.
"""

import contextlib
import os
import random
import subprocess
import sys
import tempfile
import time
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

import serial

from tests.emu.serving import serving
from wirevow.protocol.journal.layout import Kind
from wirevow.protocol.journal.reading import Journal

COMMAND = [sys.executable, "-u", "-c", "from wirevow.emu.command import main; main()"]


@dataclass
class Recording:
    """A recorder that runs."""

    process: subprocess.Popen[str]
    port: str
    journal: Path

    def end(self, patience_s: float = 10) -> tuple[int, str]:
        """Have it end in order; its status and what it said on standard error."""
        self.process.terminate()
        _, said = self.process.communicate(timeout=patience_s)
        return self.process.returncode, said


@contextlib.contextmanager
def recording(
    device: str, journal: Path, *options: str, most_bytes: int | None = None
) -> Iterator[Recording]:
    """Start a recorder and wait until it listens. `most_bytes`: of any file it may write."""
    command = COMMAND
    if most_bytes is not None:
        limit = f"import resource as r; r.setrlimit(r.RLIMIT_FSIZE, ({most_bytes},) * 2); "
        command = [*COMMAND[:-1], limit + COMMAND[-1]]
    with subprocess.Popen(
        [*command, "record", device, "--out", str(journal), *options],
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
    ) as process:
        try:
            assert process.stdout is not None
            said = process.stdout.readline().split()
            assert said[:1] == ["port"], process.communicate()
            yield Recording(process, said[1], journal)
        finally:
            process.kill()


@contextlib.contextmanager
def emulated(*options: str) -> Iterator[list[str]]:
    """A simulated instrument in a process of its own: the lines that it prints, without their first words."""
    command = [*COMMAND, "emulate", "spec/tarn.yaml", *options]
    with subprocess.Popen(
        command, cwd=Path(__file__).parents[2], stdout=subprocess.PIPE, text=True
    ) as process:
        try:
            assert process.stdout is not None
            yield [process.stdout.readline().split()[1] for _ in range(1 + options.count("--rig"))]
        finally:
            process.kill()


def said(journal: Path, kind: Kind) -> bytes:
    """All that one side said, by the journal."""
    return b"".join(record.data for record in Journal(journal).records() if record.kind is kind)


def kill_while_bytes_pass(folder: Path, seed: int) -> None:
    """`kill -9` a recorder at a random moment: what either side had heard is in its journal.

    But for the last piece that was under way when it was killed. AssertionError if anything else is missing.
    """
    chance = random.Random(seed)
    path = folder / f"{seed}.journal"
    with serving() as (fake, device, _), recording(device, path) as recorder:
        until = time.monotonic() + chance.uniform(0, 0.1)
        heard = b""
        sent = b""
        with serial.serial_for_url(recorder.port, timeout=0) as port:
            while time.monotonic() < until:
                line = b"%d %s\n" % (len(sent), b"x" * chance.randrange(60))
                sent += line
                port.write(line)
                heard += port.read(4096)
            os.kill(recorder.process.pid, 9)
            recorder.process.wait()
            with contextlib.suppress(serial.SerialException):
                heard += port.read(65536)
    written = {kind: said(path, kind) for kind in (Kind.HOST, Kind.DEVICE)}
    journal = Journal(path)
    records = list(journal.records())
    assert [record.kind for record in records[:1]] in ([], [Kind.OPENED])
    assert len(journal.told) == 1
    assert not journal.ended
    assert sent.startswith(written[Kind.HOST])
    assert written[Kind.HOST].startswith(fake.heard)
    assert written[Kind.DEVICE].startswith(heard)


def main(kills: int) -> None:
    for seed in range(kills):
        print(f"\rrecorders killed: {seed} of {kills}", end="", flush=True)
        with tempfile.TemporaryDirectory() as folder:
            kill_while_bytes_pass(Path(folder), seed)
    print(f"\r{kills} recorders killed at random moments: nothing lost but what was under way")


if __name__ == "__main__":
    main(int(sys.argv[1]) if len(sys.argv) > 1 else 200)
