"""How much longer a whole pytest run takes that tests a three-hour discharge than one that tests nothing."""

import statistics
import subprocess
import sys
import tempfile
import time
from pathlib import Path

BARS = {"three_hours_tested": ("at most", 3.0)}

RUNS = 5
EXAMPLE = Path(__file__).parents[1] / "examples" / "test_battery_logger.py"


def seconds(file: Path, *chosen: str) -> float:
    command = [
        sys.executable,
        "-m",
        "pytest",
        "-q",
        "-p",
        "wirevow.emu.pytest_plugin",
        "-p",
        "no:cacheprovider",
    ]
    command += ["-c", "/dev/null", "--rootdir", str(file.parent), str(file), *chosen]
    begun = time.perf_counter()
    subprocess.run(command, check=True, stdout=subprocess.DEVNULL)
    return time.perf_counter() - begun


def measure() -> dict[str, float]:
    with tempfile.TemporaryDirectory() as folder:
        empty = Path(folder) / "test_nothing.py"
        empty.write_text("def test_nothing(): pass\n")
        chosen = ("-k", "three_hours")
        seconds(EXAMPLE, *chosen)  # the first run may write bytecode
        ratios = [seconds(EXAMPLE, *chosen) / seconds(empty) for _ in range(RUNS)]
    return {"three_hours_tested": statistics.median(ratios)}
