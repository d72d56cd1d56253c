"""`make campaign`: does the checker cry wolf, and does it sleep?

The clean instrument of every document in spec/ is checked with many seeds and has to pass each time; then
every named fault is tried and has to be detected. Usage: python -m tests.campaign [SEEDS [EVERY]]: with so
many seeds (50), and every so-manieth of the faults that the checker was tuned on. Without EVERY it is
`wirevow audit` that tries them, all of them.
"""

from __future__ import annotations

import sys
import time
from collections.abc import Iterator
from importlib.resources import files
from pathlib import Path

from emu.audit import Trial, trials
from emu.command import run
from emu.faults import faults_for
from protocol.document.load import load_document
from protocol.document.model import Document
from protocol.vow import compile_vow


def documents() -> Iterator[Path]:
    """The instruments' documents that come with Wirevow."""
    return (Path(str(path)) for path in files("spec").iterdir() if path.name.endswith(".yaml"))


def heard(path: Path, tasks: list[tuple[str | None, int]], what: str) -> list[Trial]:
    """The trials, with a line when they are done."""
    begun = time.monotonic()
    results = list(trials(path, tasks))
    lines = sum(trial.lines for trial in results)
    print(f"{path.name}: {len(results)} {what}, {lines} lines, {time.monotonic() - begun:.0f} s", flush=True)
    return results


def false_alarms(path: Path, seeds: int) -> int:
    """Check the clean instrument with every seed; how many did not pass."""
    alarms = [each for each in heard(path, [(None, seed) for seed in range(seeds)], "clean instruments")
              if each.outcome != "passed"]  # fmt: skip
    for each in alarms:
        print(f"  seed {each.seed}: {each.outcome} ({each.requirement}): {each.message}")
    return len(alarms)


def survivors(path: Path, document: Document, every: int) -> int:
    """Try some of the faults that are not held out; how many were not detected."""
    known = [fault.name for fault in faults_for(compile_vow(document)) if not fault.holdout][::every]
    missed = [each for each in heard(path, [(name, 0) for name in known], "faults") if not each.detected]
    for each in missed:
        print(f"  {each.fault}: {each.outcome} {each.message}".rstrip())
    return len(missed)


def main(seeds: int = 50, every: int | None = None) -> int:
    wrong = 0
    for path in sorted(documents()):
        document = load_document(path).document
        wrong += false_alarms(path, seeds)
        wrong += run(["audit", str(path)]) if every is None else survivors(path, document, every)
    print("campaign: " + ("not as it should be, see above" if wrong else "no false alarm, nothing missed"))
    return 1 if wrong else 0


if __name__ == "__main__":
    sys.exit(main(*(int(word) for word in sys.argv[1:])))
