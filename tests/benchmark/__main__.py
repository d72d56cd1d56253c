"""`make benchmark`: measure every ratio, print them beside their bars, write build/benchmark.json.

A module `tests/benchmark/bench_NAME.py` has

- `measure() -> dict[str, float]`: each number a ratio of two things timed in the same run, so that a slow
  or busy machine changes both;
- `BARS: dict[str, tuple[str, float]]`: for each number `("at least", bar)` or `("at most", bar)`.

Names given on the command line choose modules (`python -m tests.benchmark command`). The exit status is 1
when a bar is missed or could not be measured.
"""

import importlib
import json
import sys
import time
import traceback
from pathlib import Path

from rich.console import Console
from rich.table import Table

HERE = Path(__file__).parent
RESULT = HERE.parent.parent / "build" / "benchmark.json"


def meets(number: float, bar: tuple[str, float]) -> bool:
    """Whether the number is on the right side of its bar."""
    side, limit = bar
    if side == "at least":
        return number >= limit
    if side == "at most":
        return number <= limit
    raise ValueError(f"a bar is 'at least' or 'at most', not {side!r}")


def main(chosen: list[str]) -> int:
    known = sorted(path.stem.removeprefix("bench_") for path in HERE.glob("bench_*.py"))
    for name in chosen:
        if name not in known:
            print(f"benchmark: no module bench_{name}.py; there are {', '.join(known)}.", file=sys.stderr)
            return 2
    numbers: dict[str, float] = {}
    table = Table("ratio", "measured", "bar", "met")
    missed = 0
    for name in chosen or known:
        module = importlib.import_module(f"tests.benchmark.bench_{name}")
        print(f"measuring {', '.join(module.BARS)} ...", end="", flush=True)
        begun = time.perf_counter()
        try:
            measured = module.measure()
        except Exception:  # the others are worth measuring all the same
            print(" failed", flush=True)
            traceback.print_exc()
            missed += 1
            continue
        print(f" {time.perf_counter() - begun:.0f} s", flush=True)
        if measured.keys() != module.BARS.keys():
            raise ValueError(f"{module.__name__}: measure() and BARS name different numbers")
        for ratio, number in measured.items():
            side, limit = module.BARS[ratio]
            met = meets(number, (side, limit))
            missed += not met
            table.add_row(ratio, f"{number:.3g}", f"{side} {limit:g}", "yes" if met else "NO")
        numbers |= measured
    # Measured piece by piece, the file keeps what the other modules found earlier.
    if chosen and RESULT.exists():
        numbers = json.loads(RESULT.read_text()) | numbers
    RESULT.parent.mkdir(exist_ok=True)
    RESULT.write_text(json.dumps(numbers, indent=2, sort_keys=True) + "\n")
    Console().print(table)
    return 1 if missed else 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
