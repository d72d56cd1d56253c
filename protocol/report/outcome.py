"""The outcome of a check as plain data, in the order of the document.

Verdicts are the words of `protocol.conformance.verdict`. Times are seconds, `started` is ISO 8601 in UTC.
"""

from __future__ import annotations

import platform
from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import datetime

from wirevow._version import __version__
from wirevow.protocol.conformance.account import Done
from wirevow.protocol.conformance.allowance import NEEDS, NOT_READ, USED_UP
from wirevow.protocol.conformance.bracket import Bracket, Evidence, needed
from wirevow.protocol.conformance.campaign import Report
from wirevow.protocol.conformance.casefile import Step
from wirevow.protocol.conformance.gate import BEYOND, DRY, MISHAP
from wirevow.protocol.conformance.hookup import Profile
from wirevow.protocol.conformance.replay import Recurrence
from wirevow.protocol.conformance.replies import ReplyTimes
from wirevow.protocol.conformance.verdict import Verdict
from wirevow.protocol.document.canonical import document_digest
from wirevow.protocol.document.load import Loaded
from wirevow.protocol.document.model import Document

NO_PURPOSE = "nothing tries it yet"
KINDS = (
    (DRY, f"energises the input; that {DRY}"),
    (BEYOND, f"{BEYOND}; a check without one, which energises nothing, tries some of it"),
    (MISHAP, MISHAP),
    (f"{NEEDS} store", f"writes its store; that {NEEDS} store"),
    (f"{NEEDS} boot", f"boots it; that {NEEDS} boot"),
    (f"{NEEDS} switch", f"switches its outputs; that {NEEDS} switch"),
    (NOT_READ, NOT_READ),
    (USED_UP, "what --allow lets it do is used up"),
    ("needs a rig that can", "needs a rig that can do what is tried there"),
    ("on a clock that cannot be advanced", "takes too long on a clock that cannot be advanced"),
)
"""Reasons that differ in their details only: words in them, and what they are together."""


@dataclass(frozen=True, slots=True)
class Number:
    """A number that a promise has, and the interval in which it was shown to lie; None: that side is open.

    Of a quantity that has to stay within a bound (`kept`), the bound and the farthest that was seen.
    """

    what: str
    unit: str
    promised: float
    deviation: float
    """What a pass has to exclude."""
    low: float | None
    high: float | None
    shown: bool
    """It is narrow enough."""
    kept: bool


@dataclass(frozen=True, slots=True)
class Row:
    """One requirement, and what is known of it."""

    id: str
    section: str
    element: str
    aspect: str
    sentence: str
    place: str
    """FILE:LINE of the document."""
    verdict: str
    reason: str
    """Why it was not selected, is inconclusive or failed; beside a pass, what part of it was not selected."""
    purposes: int
    answers: int
    states: tuple[str, ...]
    """States in which something that bears on it was seen."""
    measured: str = ""
    """What was measured for it, and how surely."""
    numbers: tuple[Number, ...] = ()


@dataclass(frozen=True, slots=True)
class Breach:
    """One failure."""

    requirement: str
    sentence: str
    place: str
    purpose: str
    sent: str
    expected: str
    seen: str
    lines: int
    """Requests sent before it showed."""
    steps: tuple[Step, ...]
    """The shortest way to it that was found."""
    case: str | None
    """Path of its case file, if one was written."""
    again: str = ""
    """How often it came when it was looked for again, if not every time."""
    also: tuple[tuple[str, str], ...] = ()
    """Other requirements that the same cause breaks, and how it shows there."""
    written: tuple[str, ...] = ()
    """The lines of the document at `place`."""


@dataclass(frozen=True, slots=True)
class StateSeen:
    """One state, and on how many requirements it was looked at."""

    name: str
    energised: bool
    requirements: int


@dataclass(frozen=True, slots=True)
class Outcome:
    """All that a report says."""

    verdict: str
    note: str
    guarantee: str
    """What the complete suite of the state machine has shown, and under which assumptions; may be empty."""
    cautions: tuple[str, ...]
    """What was shown before anything was energised; empty if nothing was to be."""
    warnings: tuple[str, ...]
    """What the user has to know for safety's sake: whether the safe action was confirmed at the end."""
    name: str
    version: str
    title: str
    digest: str
    """First eight hex digits of the digest of the wire part, as `self.vow` answers it."""
    sha256: str
    """Digest of the whole document."""
    path: str
    port: str
    rig: str | None
    """Endpoint of the rig, or the port itself if it brings one; None for none."""
    simulated: bool
    held: bool
    """The rig held the clock, on which replies take no time."""
    profile: Profile
    seed: int
    budget: int | None
    started: str
    seconds: float
    lines: int
    bytes_sha256: str
    """Digest of all bytes both ways. On a held clock it is the same for the same document, instrument, seed
    and version, wherever the instrument is connected."""
    slowest_s: float
    deadline_s: float
    replies: ReplyTimes
    rows: tuple[Row, ...]
    breaches: tuple[Breach, ...]
    states: tuple[StateSeen, ...]
    done: Done
    """What was done to the instrument."""
    wirevow: str = __version__
    python: str = field(default_factory=platform.python_version)

    def counts(self) -> dict[str, Counter[str]]:
        """How many requirements have each verdict, by section."""
        counts: dict[str, Counter[str]] = {}
        for row in self.rows:
            counts.setdefault(row.section, Counter())[row.verdict] += 1
        return counts

    def total(self) -> Counter[str]:
        """How many requirements have each verdict."""
        return sum(self.counts().values(), Counter())

    def measured(self) -> list[Row]:
        """Requirements for which something was measured."""
        return [row for row in self.rows if row.measured]

    def by_requirement(self) -> dict[str, list[Breach]]:
        """Failures of each broken requirement, in the order in which they were found."""
        broken: dict[str, list[Breach]] = {}
        for breach in self.breaches:
            broken.setdefault(breach.requirement, []).append(breach)
        return broken

    def not_selected(self) -> dict[str, list[str]]:
        """Ids of what was not selected, by kind of reason; the most frequent first."""
        groups: dict[str, list[str]] = {}
        for row in self.rows:
            if row.verdict == str(Verdict.NONE):
                kind = next((kind for words, kind in KINDS if words in row.reason), row.reason)
                groups.setdefault(kind, []).append(row.id)
        return dict(sorted(groups.items(), key=lambda group: -len(group[1])))

    def doubtful(self) -> dict[str, list[str]]:
        """Ids of what is inconclusive, by reason, in the order of the document."""
        groups: dict[str, list[str]] = {}
        for row in self.rows:
            if row.verdict == str(Verdict.INCONCLUSIVE):
                groups.setdefault(row.reason, []).append(row.id)
        return groups

    def dry(self) -> list[str]:
        """Ids of what was not selected, wholly or in part, because nothing may be energised."""
        chosen = (str(Verdict.NONE), str(Verdict.PASS))
        return [row.id for row in self.rows if row.verdict in chosen and row.reason.endswith(DRY)]


def number_of(evidence: Evidence) -> Number:
    """Evidence as plain data."""
    if isinstance(evidence, Bracket):
        low, high = (None if each is None else float(each) for each in (evidence.low, evidence.high))
        number, deviation = float(evidence.number), float(evidence.needed)
        return Number(evidence.what, evidence.unit, number, deviation, low, high, evidence.shown, kept=False)
    deviation = float(max(evidence.needed, needed(evidence.bound, evidence.accuracy)))
    low, high = float(evidence.most - evidence.accuracy), float(evidence.most + evidence.accuracy)
    bound = float(evidence.bound)
    return Number(evidence.what, evidence.unit, bound, deviation, low, high, evidence.shown, kept=True)


def _again(found: Recurrence | None) -> str:
    """Empty for a failure that comes whenever it is looked for, or was not looked for."""
    if found is None or not found.intermittent:
        return ""
    came = f"intermittent: tried again, it came {found.came} of {found.tries} times"
    return came if found.came else f"{came}; it may depend on what came before these steps"


def printable(text: str) -> str:
    """Text in which nothing can move a cursor or end a line: what a device says may be anything."""
    return "".join(sign if sign.isprintable() else sign.encode("unicode_escape").decode() for sign in text)


def outcome_of(
    report: Report,
    loaded: Loaded[Document],
    profile: Profile,
    *,
    rig: str | None,
    simulated: bool,
    held: bool,
    budget: int | None,
    started: datetime,
    warnings: Sequence[str],
    cautions: Sequence[str] = (),
    cases: Mapping[int, str],
    done: Done,
) -> Outcome:
    """Put a report in order.

    `cases`: paths of case files by the failure's index; `done`: what was done to the instrument.
    """
    document = loaded.document
    place = {
        key: f"{loaded.name}:{finding.requirement.line}" if finding.requirement.line else loaded.name
        for key, finding in report.findings.items()
    }
    seen_in: dict[str, set[str]] = {}
    for requirement, state in report.visited:
        seen_in.setdefault(requirement, set()).add(state)
    untried = f"the check ended before: {report.note}" if report.note else NO_PURPOSE
    rows = []
    for key, finding in report.findings.items():
        asked = finding.requirement
        reason = finding.reason or (untried if finding.verdict is Verdict.NONE else "")
        states = tuple(state for state in document.states if state in seen_in.get(key, ()))
        rows.append(
            Row(
                key,
                asked.section,
                asked.element,
                asked.aspect,
                asked.sentence,
                place[key],
                str(finding.verdict),
                printable(reason),
                finding.purposes,
                finding.answers,
                states,
                printable(finding.measured),
                tuple(number_of(each) for each in finding.evidence),
            )
        )
    breaches = tuple(
        Breach(
            failure.requirement,
            report.findings[failure.requirement].requirement.sentence,
            place[failure.requirement],
            failure.purpose,
            printable(failure.sent),
            printable(failure.expected),
            printable(failure.seen),
            failure.lines,
            tuple(replace(step, text=printable(step.text)) for step in failure.case.steps),
            cases.get(index),
            _again(failure.again),
            tuple((key, printable(shown)) for key, shown in failure.also),
            tuple(loaded.source.entry(report.findings[failure.requirement].requirement.line or 0)),
        )
        for index, failure in enumerate(report.failures)
    )
    visits = Counter(state for row in rows for state in row.states)
    return Outcome(
        verdict=str(report.verdict),
        note=printable(report.note),
        guarantee=printable(report.guarantee),
        cautions=tuple(printable(caution) for caution in cautions),
        warnings=tuple(printable(warning) for warning in warnings),
        name=report.vow_name,
        version=report.vow_version,
        title=document.vow.title,
        digest=report.digest,
        sha256=document_digest(document),
        path=loaded.name,
        port=report.port,
        rig=rig,
        simulated=simulated,
        held=held,
        profile=profile,
        seed=report.seed,
        budget=budget,
        started=started.isoformat(timespec="seconds"),
        seconds=report.seconds,
        lines=report.lines,
        bytes_sha256=report.bytes_sha256,
        slowest_s=report.slowest_s,
        deadline_s=document.wire.reply_deadline / 1e9,
        replies=report.replies,
        rows=tuple(rows),
        breaches=breaches,
        states=tuple(
            StateSeen(name, state.energised, visits[name]) for name, state in document.states.items()
        ),
        done=done,
    )
