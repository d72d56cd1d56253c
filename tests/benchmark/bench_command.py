"""How much longer `wirevow --help` takes than the bare interpreter."""

import statistics
import subprocess
import sys
import time
from pathlib import Path

BARS = {"start_vs_python": ("at most", 6.0)}

RUNS = 21


def seconds(command: list[str]) -> float:
    begun = time.perf_counter()
    subprocess.run(command, check=True, stdout=subprocess.DEVNULL)
    return time.perf_counter() - begun


def measure() -> dict[str, float]:
    help_command = [str(Path(sys.executable).with_name("wirevow")), "--help"]
    bare = [sys.executable, "-c", "pass"]
    seconds(help_command)  # the first run may write bytecode
    # Each run beside its own bare one, so that whatever else the machine does hits both.
    return {"start_vs_python": statistics.median(seconds(help_command) / seconds(bare) for _ in range(RUNS))}
