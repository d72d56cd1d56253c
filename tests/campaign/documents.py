"""Is the checker right about any document? Each is simulated as it says, and checked against itself.

    python -m tests.campaign.documents --random 300
    python -m tests.campaign.documents --variants spec/tarn.yaml --one-in 40
    python -m tests.campaign.documents --again build/documents.jsonl

Of the variants of a document (`protocol/document/variants.py`), one in so many, drawn by a digest of what is
changed: the same ones every time. What `vet` does not call sound is not tried. A good instrument has to pass:
a failure, a doubt or a traceback is a defect of `vet`, which should have said what is wrong, or of the
simulation or the checker. Results go to build/documents.jsonl, a line each with the document's text.
"""

from __future__ import annotations

import argparse
import hashlib
import json
import sys
import time
from collections import Counter
from collections.abc import Callable, Iterable, Iterator
from contextlib import closing, suppress
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Any

from hypothesis import HealthCheck, Phase, given, seed, settings

from tests.documents import documents
from wirevow.emu.audit import tried
from wirevow.emu.executor import Ended, results
from wirevow.emu.faults import build_instrument
from wirevow.emu.mutants import LIMIT_S, limited
from wirevow.emu.plant.registry import looked_at
from wirevow.protocol.document.load import DocumentError, load_document, read_document
from wirevow.protocol.document.variants import OF_WORDS_ONLY, OPERATORS, variants
from wirevow.protocol.document.vet import vet
from wirevow.protocol.document.writing import text_of
from wirevow.protocol.vow import compile_vow

RESULTS = Path("build/documents.jsonl")
SMALL = Path("build/found")
GOOD = ("passed", "unsound")
BUDGET = 600_000
"""Lines of a check: ten states have a large suite."""
EACH = 5
"""So many are drawn with one seed: Hypothesis varies what it has drawn before."""


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


class Same(AssertionError):
    """The same goes wrong."""


def result_of(name: str, text: str, seed: int = 0, limit_s: int = LIMIT_S) -> Result:
    """Vet, simulate and check one document."""
    begun = time.perf_counter()

    def made(outcome: str, message: str = "", requirement: str = "", lines: int = 0) -> Result:
        return Result(name, outcome, requirement, message, lines, round(time.perf_counter() - begun, 2), text)

    try:
        loaded = read_document(text, name)
    except DocumentError as wrong:
        return made("unsound", str(wrong))
    found = vet(loaded, looked_at(loaded)).found
    if found:
        return made("unsound", found[0].text(""), found[0].code)
    vow = compile_vow(loaded.document)

    with limited(limit_s):
        trial = tried(vow, lambda: build_instrument(vow, seed=seed), None, seed, BUDGET)
    return made(trial.outcome, trial.message, trial.requirement or "", trial.lines)


def some_variants(path: Path, one_in: int) -> Iterator[tuple[str, str]]:
    """Name and text of one variant in so many, but for those that change words only."""
    operators = {name: each for name, each in OPERATORS.items() if name not in OF_WORDS_ONLY}
    for variant in variants(load_document(path).source.data, operators):
        name = f"{path.stem}: {variant.sentence}"
        if int(hashlib.sha256(name.encode()).hexdigest(), 16) % one_in == 0:
            yield name, text_of(variant.data)


def _drawing(first: int, test: Callable[[dict[str, Any]], None], *more: Phase) -> Callable[[], None]:
    """A test of what is drawn with one seed, the same every time."""
    decided = settings(
        max_examples=EACH,
        phases=[Phase.generate, *more],
        database=None,
        deadline=None,
        report_multiple_bugs=False,
        suppress_health_check=list(HealthCheck),
    )

    def drawn(data: dict[str, Any]) -> None:
        test(data)

    return seed(first)(decided(given(data=documents())(drawn)))


def random_documents(count: int, first: int) -> list[tuple[str, str]]:
    """So many documents that are drawn, the same ones for the same first seed; name and text."""
    found: list[tuple[str, str]] = []
    while len(found) < count:
        texts: list[str] = []
        _drawing(first, lambda data, texts=texts: texts.append(text_of(data)))()  # type: ignore[misc]
        # What comes first is the least document, whatever the seed.
        begun = 1 if found else 0
        found += [(f"random {first}.{index}", text) for index, text in enumerate(texts) if index >= begun]
        first += 1
    return found[:count]


def shrunk(result: Result) -> str:
    """The text of a small document with which the same goes wrong as with one that was drawn."""
    least = [result.text]

    def again(data: dict[str, Any]) -> None:
        other = result_of(result.name, text_of(data))
        if (other.outcome, other.requirement) == (result.outcome, result.requirement):
            least.append(other.text)
            raise Same

    first = int(result.name.removeprefix("random ").partition(".")[0])
    with suppress(Same):
        _drawing(first, again, Phase.shrink)()
    return least[-1]


def _result_of(task: tuple[str, str]) -> Result:
    return result_of(*task)


def _lost(task: tuple[str, str], ended: Ended) -> Result:
    name, text = task
    return Result(name, "error", "", str(ended), 0, 0.0, text)


def results_of(
    found: Iterable[tuple[str, str]], jobs: int | None = None, on: str | None = None
) -> Iterator[Result]:
    """What came of each, in the order in which they are done; each in a process of its own.

    What a process keeps of one document is of no use for the next, and after hundreds it is much.
    """
    with closing(results(_result_of, found, jobs=jobs, on=on, ended=_lost)) as done:
        for _, result in done:
            yield result


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
    parser.add_argument("--shrink", action="store_true", help="Make those that fail small.")
    parser.add_argument("--jobs", type=int)
    parser.add_argument("--on", metavar="ADDRESS", help="Of a Dask scheduler.")
    parser.add_argument("--results", type=Path, default=RESULTS)
    given = parser.parse_args()
    found = random_documents(given.random, given.seed) if given.random else []
    found += [each for path in given.variants for each in some_variants(path, given.one_in)]
    if given.again is not None:
        earlier: list[dict[str, Any]] = [json.loads(line) for line in given.again.read_text().splitlines()]
        found += [(each["name"], each["text"]) for each in earlier if each["outcome"] not in GOOD]
    given.results.parent.mkdir(parents=True, exist_ok=True)
    told_of: list[Result] = []
    with given.results.open("w", encoding="utf-8") as file:
        for result in results_of(found, given.jobs, given.on):
            told_of.append(result)
            print(json.dumps(asdict(result)), file=file, flush=True)
            at = f"{len(told_of)} of {len(found)}: {result.name} {result.outcome}"
            print(f"{at}, {result.lines} lines, {result.seconds:.0f} s", file=sys.stderr, flush=True)
            if result.outcome in GOOD:
                continue
            print(result.name, f"    {result.outcome} {result.requirement}: {result.message[:300]}", sep="\n")
            if given.shrink and result.name.startswith("random "):
                SMALL.mkdir(parents=True, exist_ok=True)
                path = SMALL / f"{result.name.replace(' ', '-')}.yaml"
                path.write_text(shrunk(result), encoding="utf-8")
                print(f"    a small one is in {path}")
            sys.stdout.flush()
    print(told(told_of))
    return int(any(result.outcome not in GOOD for result in told_of))


if __name__ == "__main__":
    from tests.campaign import documents as itself  # as other processes import it

    sys.exit(itself.main())
