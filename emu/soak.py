"""A soak: one check after the other, each with a fresh seed, until a time is over; and what they came to.

Where the instrument is simulated (`emu://`) the checks go through `wirevow.emu.executor`, and the instrument
has a fresh seed as well. At any other port they come one after the other in this process, within no envelope,
and what was allowed is for all of them together. What was begun when the time is over is finished.
"""

from __future__ import annotations

import itertools
import time
from collections import Counter
from collections.abc import Callable, Generator, Iterator
from contextlib import closing, nullcontext
from dataclasses import asdict, dataclass, field, replace
from functools import cache
from typing import Any
from urllib.parse import parse_qsl, urlencode

from wirevow.emu import checking, executor
from wirevow.emu.checking import Shown
from wirevow.emu.firmware.coverage import Coverage
from wirevow.emu.kept import Kept
from wirevow.emu.loading import sound, spoken
from wirevow.emu.ports.address import SCHEME
from wirevow.emu.ports.rig import InstrumentRig
from wirevow.protocol.conformance.allowance import KINDS, allowance
from wirevow.protocol.conformance.blame import names_of, shape
from wirevow.protocol.conformance.campaign import Report
from wirevow.protocol.conformance.search.group import Searches
from wirevow.protocol.conformance.verdict import Verdict
from wirevow.protocol.dialect.file import Phrasebook
from wirevow.protocol.document.load import Loaded
from wirevow.protocol.document.model import Document
from wirevow.protocol.vow import Vow, compile_vow

JSON_VERSION = 1
COVERED = "covered"
"""The key of what all checks have reached, in the file that is kept."""
SEARCH_LINES = 10_000
"""Of each check's search: enough that it strives for what is unseen."""
SLOW_LINES = 1_500
"""The same of firmware, and of what is real: a check is done within an hour."""


@dataclass(frozen=True, slots=True)
class Task:
    """One check."""

    document: str
    port: str
    seed: int
    rig: str | None = None
    dialect: str | None = None
    only: tuple[str, ...] = ()
    allow: tuple[str, ...] = ()
    coverage: bool = False
    """Whether the firmware tells what of it has been reached."""
    seen: str = "0"
    """What of the firmware earlier checks have reached, in hex (`CoveringRig`)."""


@dataclass(frozen=True, slots=True)
class Found:
    """A failure."""

    requirement: str
    cause: str
    """Equal in failures that differ in the same way."""
    expected: str
    seen: str
    case: str
    """Of the case file."""


@dataclass(frozen=True, slots=True)
class Round:
    """What came of one check."""

    seed: int
    verdict: str
    note: str
    """Why it ended early or is inconclusive."""
    lines: int
    seconds: float
    passed: tuple[str, ...]
    """Requirements."""
    visited: tuple[tuple[str, str], ...]
    """Requirements, and states in which something of them was seen."""
    failures: tuple[Found, ...]
    ways: str = "0"
    """What of the firmware was reached, in hex."""
    coverage: Coverage | None = None


@cache
def _read(document: str, dialect: str | None) -> tuple[Loaded[Document], Vow, Phrasebook | None]:
    loaded = sound(document)
    book, vow = spoken(dialect, compile_vow(loaded.document))
    return loaded, vow, book


def checked(task: Task) -> Round:
    """Do one check of a simulated instrument. WirevowError: it could not begin."""
    ended = _run(task)
    made = _round(task, ended.report)
    if not isinstance(ended.rig, InstrumentRig):
        return made
    return replace(made, ways=f"{ended.rig.ways():x}", coverage=ended.rig.coverage())


def _run(task: Task, **around: Any) -> checking.Ended:
    loaded, vow, book = _read(task.document, task.dialect)
    lines = SLOW_LINES if "firmware=" in task.port or not task.port.startswith(SCHEME) else SEARCH_LINES
    return checking.run(
        loaded,
        vow,
        seeded(task.port, task.seed, task.coverage),
        rig=task.rig,
        seed=task.seed,
        envelope=None,
        budget=None,
        extra_states=0,
        only=task.only,
        allow=task.allow,
        book=book,
        searches=Searches(lines=lines, batch_lines=lines, cuts=True, seen=int(task.seen, 16)),
        **around,
    )


def seeded(port: str, seed: int, coverage: bool = False) -> str:
    """The address of a simulated instrument with another seed, and with coverage; any other as it is."""
    if not port.startswith(SCHEME):
        return port
    where, _, query = port.partition("?")
    given = dict(parse_qsl(query, keep_blank_values=True))
    own = given.get("seed", "0")
    if own.isdigit():
        given["seed"] = str(int(own) + seed)
    if coverage:
        given["coverage"] = "yes"
    return f"{where}?{urlencode(given, safe='/.')}"


def _round(task: Task, report: Report) -> Round:
    names = names_of(_read(task.document, task.dialect)[1])
    found = []
    for failure in report.failures:
        requirement = report.findings[failure.requirement].requirement
        cause = f"{requirement.section}.{requirement.aspect}: {shape(failure.seen, names)}"
        found.append(Found(failure.requirement, cause, failure.expected, failure.seen, failure.case.text()))
    doubts = [each.reason for each in report.findings.values() if each.verdict is Verdict.INCONCLUSIVE]
    return Round(
        task.seed,
        report.verdict.name.lower(),
        report.note or "; ".join(doubts[:1]),
        report.lines,
        round(report.seconds, 2),
        tuple(name for name, each in report.findings.items() if each.verdict is Verdict.PASS),
        tuple(sorted(report.visited)),
        tuple(found),
    )


@dataclass(slots=True)
class Soak:
    """What all checks have come to. `kept`: the file that it goes on from."""

    kept: Kept | None = None
    seeds: set[int] = field(default_factory=set)
    lines: int = 0
    seconds: float = 0.0
    """Of all checks together."""
    verdict: Verdict = Verdict.NONE
    verdicts: Counter[str] = field(default_factory=Counter)
    notes: Counter[str] = field(default_factory=Counter)
    passed: set[str] = field(default_factory=set)
    visited: set[tuple[str, str]] = field(default_factory=set)
    causes: dict[str, list[tuple[int, Found]]] = field(default_factory=dict)
    """Failures with the seeds of their checks, by cause."""
    ways: int = 0
    coverage: Coverage = field(default_factory=Coverage)
    """What of the firmware has been reached."""

    def __post_init__(self) -> None:
        for key, held in self.kept.known.items() if self.kept is not None else ():
            if key == COVERED:
                self.ways, self.coverage = int(held["ways"], 16), Coverage(held["lines"], held["branches"])
                continue
            failures = tuple(Found(**each) for each in held["failures"])
            visited = tuple((each[0], each[1]) for each in held["visited"])
            self._add(Round(**{**held, "failures": failures, "visited": visited}))

    def add(self, one: Round) -> None:
        """One check more. OSError: it cannot be kept."""
        news = replace(
            one,
            passed=tuple(name for name in one.passed if name not in self.passed),
            visited=tuple(pair for pair in one.visited if pair not in self.visited),
            ways="0",
            coverage=None,
        )
        self._add(one)
        before = self.coverage.reached()
        self.ways |= int(one.ways, 16)
        if one.coverage is not None:
            self.coverage.add(one.coverage)
        if self.kept is not None:
            self.kept.add(str(one.seed), asdict(news))
            if self.coverage.reached() > before:
                self.keep_coverage()

    def keep_coverage(self) -> None:
        """Keep how many checks have reached what; what is reached for the first time is kept at once."""
        if self.kept is not None and self.coverage.lines:
            self.kept.add(COVERED, {"ways": f"{self.ways:x}", **asdict(self.coverage)})

    def _add(self, one: Round) -> None:
        self.seeds.add(one.seed)
        self.lines += one.lines
        self.seconds += one.seconds
        self.verdict = self.verdict.overwritten(Verdict[one.verdict.upper()])
        self.verdicts[one.verdict] += 1
        if one.note:
            self.notes[one.note] += 1
        self.passed.update(one.passed)
        self.visited.update(one.visited)
        for found in one.failures:
            self.causes.setdefault(found.cause, []).append((one.seed, found))

    def grouped(self) -> list[tuple[str, list[tuple[int, Found]]]]:
        """Causes with their failures, each with the seed of its check, in the order of seeds."""
        causes = [(cause, sorted(found, key=lambda each: each[0])) for cause, found in self.causes.items()]
        return sorted(causes, key=lambda each: (each[1][0][0], each[0]))

    def fresh(self, first: int) -> Iterator[int]:
        """Seeds from the first on that no check has had."""
        return (seed for seed in itertools.count(first) if seed not in self.seeds)

    def as_json(self) -> dict[str, Any]:
        """`soak`: version of this form, 1; `causes`: each with its failures, `seed` and what `Found` has."""
        return {
            "soak": JSON_VERSION,
            "verdict": self.verdict.name.lower(),
            "checks": dict(self.verdicts),
            "lines": self.lines,
            "seconds": round(self.seconds, 2),
            "notes": dict(self.notes),
            "passed": sorted(self.passed),
            "visited": sorted(self.visited),
            "causes": [
                {"cause": cause, "failures": [{"seed": seed, **asdict(found)} for seed, found in failures]}
                for cause, failures in self.grouped()
            ],
        }


def rounds(
    task: Task,
    seeds: Iterator[int],
    for_s: float,
    *,
    on: str | None = None,
    agree: Callable[[], None] | None = None,
    say: Callable[[str], None] = lambda text: None,
    shown: Shown = lambda report: nullcontext(),
    tick: Callable[[], None] = lambda: None,
    seen: Callable[[], int] = lambda: 0,
) -> Generator[Round, None, None]:
    """Checks with one seed after the other, until the time is over.

    `agree`, `say` and `shown` are as `checking.run` has them; WirevowError as it raises. `on`: a scheduler.
    `seen`: what of the firmware has been reached so far.
    """
    timely = _timely(seeds, for_s)
    if task.port.startswith(SCHEME):
        tasks = (replace(task, seed=seed, seen=f"{seen():x}") for seed in timely)
        with closing(executor.results(checked, tasks, on=on, tick=tick)) as done:
            for _, one in done:
                yield one
        return
    asked = _once(agree)
    for seed in timely:
        now = replace(task, seed=seed)
        ended = _run(now, agree=asked, say=say, shown=shown)
        allowed = allowance(task.allow)
        left = {kind: allowed.of(kind) - ended.used.get(kind, 0) for kind in KINDS}
        task = replace(task, allow=tuple(f"{kind}={times}" for kind, times in left.items() if times > 0))
        if not isinstance(ended.trouble, KeyboardInterrupt) or ended.report.failures:
            yield _round(now, ended.report)
        if ended.trouble is not None:
            raise ended.trouble


def _timely(seeds: Iterator[int], for_s: float) -> Iterator[int]:
    """The first, and more as long as there is time."""
    until_s = time.monotonic() + for_s
    for number, seed in enumerate(seeds):
        if number and time.monotonic() >= until_s:
            return
        yield seed


def _once(agree: Callable[[], None] | None) -> Callable[[], None] | None:
    """It is asked before the first change, and that is for all checks."""
    if agree is None:
        return None
    said: list[bool] = []

    def ask() -> None:
        if not said:
            agree()
            said.append(True)

    return ask
