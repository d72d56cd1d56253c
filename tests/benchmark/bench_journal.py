"""What recording costs: round trips through `wirevow record` over those straight to the instrument's port."""

import contextlib
import os
import statistics
import subprocess
import sys
import tempfile
import tty
from collections.abc import Iterator
from pathlib import Path

from tests.benchmark.bench_ports import port, seconds

BARS = {"journal_overhead": ("at most", 1.6)}

ROUNDS = 15


@contextlib.contextmanager
def recorded(device: str, journal: Path) -> Iterator[int]:
    """An open raw terminal at the recorder of a device."""
    code = "from wirevow.emu.command import main; main()"
    command = [sys.executable, "-u", "-c", code, "record", device, "--out", str(journal)]
    with subprocess.Popen(command, stdout=subprocess.PIPE, stderr=subprocess.DEVNULL, text=True) as process:
        assert process.stdout is not None
        descriptor = os.open(process.stdout.readline().split()[1], os.O_RDWR | os.O_NOCTTY)
        try:
            tty.setraw(descriptor)
            yield descriptor
        finally:
            os.close(descriptor)
            process.terminate()


def measure() -> dict[str, float]:
    with (
        tempfile.TemporaryDirectory() as folder,
        port("emulate(None)") as direct,
        port("emulate(None)") as behind,
        recorded(os.ttyname(behind), Path(folder) / "bench.journal") as through,
    ):
        seconds(direct)
        seconds(through)
        shares = [seconds(through) / seconds(direct) for _ in range(ROUNDS)]
    return {"journal_overhead": statistics.median(shares)}
