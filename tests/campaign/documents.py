"""Is the checker right about any document? Each is simulated as it says, and checked against itself.

    python -m tests.campaign.documents --random 300
    python -m tests.campaign.documents --variants spec/tarn.yaml --one-in 40
    python -m tests.campaign.documents --again build/documents.jsonl

Of the variants of a document (`tests/variants.py`), one in so many, drawn by a digest of their names: the
same ones every time. What `vet` does not call sound is not tried. A good instrument has to pass: a failure, a
doubt or a traceback is a defect of `vet`, which should have said what is wrong, of the simulation, or of the
checker. Results go to build/documents.jsonl, a line each with the document's text.
"""

from __future__ import annotations

import argparse
import hashlib
import json
import multiprocessing
import signal
import sys
import time
from collections import Counter
from collections.abc import Iterable, Iterator
from concurrent.futures import ProcessPoolExecutor, as_completed
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Any

from hypothesis import HealthCheck, Phase, given, seed, settings

from tests.documents import documents
from tests.variants import OF_WORDS_ONLY, OPERATORS, text_of, variants
from wirevow.emu.audit import cores, tried
from wirevow.emu.faults import build_instrument
from wirevow.protocol.document.load import DocumentError, load_document, read_document
from wirevow.protocol.document.vet import vet
from wirevow.protocol.vow import compile_vow

RESULTS = Path("build/documents.jsonl")
LIMIT_S = 180
"""No check of a document takes longer; one that does is counted as an error."""


@dataclass(frozen=True, slots=True)
class Result:
    """What came of one document."""

    name: str
    outcome: str
    """As a `Trial`'s, or `unsound`: `vet` has found something, or it is no document."""
    requirement: str
    message: str
    lines: int
    seconds: float
    text: str


class TooLong(Exception):
    """The check takes too long."""


def result_of(name: str, text: str, seed: int = 0, limit_s: int = LIMIT_S) -> Result:
    """Vet, simulate and check one document."""
    begun = time.perf_counter()

    def made(outcome: str, message: str = "", requirement: str = "", lines: int = 0) -> Result:
        return Result(name, outcome, requirement, message, lines, round(time.perf_counter() - begun, 2), text)

    try:
        loaded = read_document(text, name)
    except DocumentError as wrong:
        return made("unsound", str(wrong))
    found = vet(loaded).found
    if found:
        return made("unsound", found[0].text(""), found[0].code)
    vow = compile_vow(loaded.document)

    def late(*_: object) -> None:
        raise TooLong(f"more than {limit_s} s")

    before = signal.signal(signal.SIGALRM, late)
    signal.alarm(limit_s)
    try:
        trial = tried(vow, lambda: build_instrument(vow, seed=seed), None, seed)
    finally:
        signal.alarm(0)
        signal.signal(signal.SIGALRM, before)
    return made(trial.outcome, trial.message, trial.requirement or "", trial.lines)


def some_variants(path: Path, one_in: int) -> Iterator[tuple[str, str]]:
    """Name and text of one variant in so many, but for those that change words only."""
    operators = {name: each for name, each in OPERATORS.items() if name not in OF_WORDS_ONLY}
    for variant in variants(load_document(path).source.data, operators):
        name = f"{path.stem}: {variant.name}"
        if int(hashlib.sha256(name.encode()).hexdigest(), 16) % one_in == 0:
            yield name, text_of(variant.data)


def random_documents(count: int, first: int) -> list[tuple[str, str]]:
    """So many documents that are drawn, the same ones for the same seed; name and text."""
    found: list[tuple[str, str]] = []

    @seed(first)
    @settings(
        max_examples=count,
        phases=[Phase.generate],
        database=None,
        deadline=None,
        suppress_health_check=list(HealthCheck),
    )
    @given(drawn=documents())
    def draw(drawn: Any) -> None:
        found.append((f"random {first}.{len(found)}", text_of(drawn)))

    draw()
    return found


def results_of(found: Iterable[tuple[str, str]], jobs: int) -> Iterator[Result]:
    """What came of each, in the order in which they are done."""
    with ProcessPoolExecutor(jobs, multiprocessing.get_context("spawn")) as pool:
        waiting = [pool.submit(result_of, name, text) for name, text in found]
        try:
            for done in as_completed(waiting):
                yield done.result()
        except BaseException:
            pool.shutdown(cancel_futures=True)
            raise


def told(results: Iterable[Result]) -> str:
    """The figures in a line."""
    counted = Counter(result.outcome for result in results)
    sound = sum(counted.values()) - counted["unsound"]
    names = ("passed", "failure", "inconclusive", "turned away", "error")
    return f"{sum(counted.values())} documents, {sound} sound: " + ", ".join(
        f"{counted[name]} {'accused' if name == 'failure' else name}" for name in names
    )


def main() -> int:
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--random", type=int, default=0, metavar="N", help="So many that are drawn.")
    parser.add_argument("--seed", type=int, default=0, help="Of what is drawn.")
    parser.add_argument("--variants", type=Path, nargs="*", default=[], metavar="DOC")
    parser.add_argument("--one-in", type=int, default=40, metavar="N", help="Of the variants (40).")
    parser.add_argument(
        "--again", type=Path, metavar="FILE", help="Those of earlier results that went wrong."
    )
    parser.add_argument("--jobs", type=int, default=cores())
    parser.add_argument("--results", type=Path, default=RESULTS)
    given = parser.parse_args()
    found = random_documents(given.random, given.seed) if given.random else []
    found += [each for path in given.variants for each in some_variants(path, given.one_in)]
    if given.again is not None:
        earlier: list[dict[str, Any]] = [json.loads(line) for line in given.again.read_text().splitlines()]
        good = ("passed", "unsound")
        found += [(each["name"], each["text"]) for each in earlier if each["outcome"] not in good]
    given.results.parent.mkdir(parents=True, exist_ok=True)
    results: list[Result] = []
    lines = []
    for result in results_of(found, given.jobs):
        results.append(result)
        lines.append(json.dumps(asdict(result)))
        if result.outcome not in ("passed", "unsound"):
            print(
                f"{result.name}\n    {result.outcome} {result.requirement}: {result.message[:300]}",
                flush=True,
            )
    given.results.write_text("\n".join(lines) + "\n", encoding="utf-8")
    print(told(results))
    return int(any(result.outcome not in ("passed", "unsound") for result in results))


if __name__ == "__main__":
    sys.exit(main())
