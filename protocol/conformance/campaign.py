"""A check: which purposes run, in what order, and what came of them.

Order is breadth first: every requirement's cheapest purpose before anyone's second. Each purpose starts from
the initial state with default settings. A purpose that finds something broken is a failure of the requirement
that the answer bears on; the check gets acquainted with the instrument anew and goes on.
"""

from __future__ import annotations

import time
from collections.abc import Callable
from dataclasses import dataclass, field

from protocol.conformance.purposes import Purpose, purposes_for
from protocol.conformance.session import Entry
from protocol.conformance.tester import Broken, Doubtful, NoInstrument, NotSelected, OutOfBudget, Tester
from protocol.conformance.verdict import Verdict
from protocol.document.requirements import Requirement, requirements
from protocol.serialport import PortError

MOST_FAILURES = 25
"""A check that finds more stops looking: the instrument is another one, or broken altogether."""


@dataclass(frozen=True, slots=True)
class Failure:
    """One promise broken, with what showed it."""

    requirement: str
    purpose: str
    """The requirement whose purpose was at work."""
    sent: str
    expected: str
    seen: str
    lines: int
    """Requests sent in the whole check up to here."""
    steps: tuple[Entry, ...]
    """What was done and seen since the purpose began."""


@dataclass(slots=True)
class Finding:
    """What is known of one requirement."""

    requirement: Requirement
    verdict: Verdict = Verdict.NONE
    reason: str = ""
    """Why it was not selected, or is inconclusive, or what broke it."""
    purposes: int = 0
    answers: int = 0
    """Right answers that bore on it."""


@dataclass(slots=True)
class Report:
    """Everything that came of a check."""

    vow_name: str
    vow_version: str
    digest: str
    port: str
    seed: int
    findings: dict[str, Finding]
    failures: list[Failure] = field(default_factory=list)
    lines: int = 0
    seconds: float = 0.0
    verdict: Verdict = Verdict.NONE
    note: str = ""
    """Why the check ended early, if it did."""
    visited: set[tuple[str, str]] = field(default_factory=set)
    energised: bool = False
    rig: bool = False
    slowest_s: float = 0.0


Progress = Callable[[int, int, Finding], None]
"""Purposes done, purposes in all, and the finding at work."""


def run(
    tester: Tester,
    *,
    progress: Progress | None = None,
    until_failure: bool = False,
    select: Callable[[Requirement, Purpose], bool] | None = None,
    lines_of: Callable[[Requirement], int | None] | None = None,
) -> Report:
    """Check the instrument. PortError and NoInstrument pass through when nothing could be checked."""
    vow = tester.vow
    asked = requirements(vow.document)
    report = Report(
        *vow.identity,
        port=str(tester.session.port.port),
        seed=0,
        findings={each.id: Finding(each) for each in asked},
        energised=tester.energise,
        rig=tester.rig is not None,
    )
    began = time.monotonic()
    work = [
        (each.rank, tester.random.random(), requirement, each)
        for requirement in asked
        for each in purposes_for(requirement)
        if select is None or select(requirement, each)
    ]
    work.sort(key=lambda each: each[:2])
    try:
        _work(tester, report, [(requirement, each) for _, _, requirement, each in work], progress, until_failure)
    finally:
        _tally(tester, report)
        report.seconds = time.monotonic() - began
    return report


def _work(
    tester: Tester,
    report: Report,
    work: list[tuple[Requirement, Purpose]],
    progress: Progress | None,
    until_failure: bool,
) -> None:
    if not _acquaint(tester, report):
        return
    for done, (requirement, purpose) in enumerate(work):
        finding = report.findings[requirement.id]
        if progress is not None:
            progress(done, len(work), finding)
        try:
            tester.home()
            tester.mark()
            purpose.work(tester, requirement)
            tester.quiet()
            tester.ask("self.boots")
            finding.purposes += 1
            finding.verdict = finding.verdict.overwritten(Verdict.PASS)
        except NotSelected as why:
            finding.reason = finding.reason or str(why)
        except Doubtful as why:
            finding.verdict = finding.verdict.overwritten(Verdict.INCONCLUSIVE)
            finding.reason = str(why)
        except OutOfBudget:
            report.note = f"the budget of {tester.budget} lines is used up"
            return
        except Broken as broken:
            _fail(tester, report, requirement, broken)
            if until_failure or len(report.failures) >= MOST_FAILURES:
                report.note = report.note or ("stopped at the first failure" if until_failure else "too many failures")
                return
            if not _acquaint(tester, report):
                return
    if progress is not None and work:
        progress(len(work), len(work), report.findings[work[-1][0].id])


def _acquaint(tester: Tester, report: Report) -> bool:
    """Get to know the instrument; whether the check can go on."""
    for attempt in range(2):
        try:
            tester.mark()
            tester.acquaint()
            return True
        except Broken as broken:
            requirement = report.findings.get(broken.judgement.requirement)
            _fail(tester, report, requirement.requirement if requirement else None, broken)
        except NoInstrument as lost:
            if not report.failures and not attempt:
                raise
            report.note = lost.message
            return False
    report.note = "the instrument cannot be brought back to a known state"
    return False


def _fail(tester: Tester, report: Report, purpose: Requirement | None, broken: Broken) -> None:
    identity = broken.judgement.requirement
    finding = report.findings.get(identity)
    if finding is None:
        # An answer about something that this document has no requirement for: the purpose's own is broken.
        finding = report.findings[purpose.id] if purpose is not None else next(iter(report.findings.values()))
        identity = finding.requirement.id
    finding.verdict = finding.verdict.overwritten(Verdict.FAIL)
    finding.reason = f"{broken.sent}: expected {broken.judgement.expected or 'nothing'}, seen {broken.seen}"
    if purpose is not None and purpose.id != identity:
        other = report.findings[purpose.id]
        other.verdict = other.verdict.overwritten(Verdict.INCONCLUSIVE)
        other.reason = other.reason or f"cut short by {identity}"
    report.failures.append(
        Failure(
            identity,
            purpose.id if purpose is not None else identity,
            broken.sent,
            broken.judgement.expected,
            broken.seen,
            tester.lines,
            tuple(tester.since_mark()),
        )
    )


def _tally(tester: Tester, report: Report) -> None:
    for requirement, count in tester.kept.items():
        finding = report.findings.get(requirement)
        if finding is not None:
            finding.answers = count
            finding.verdict = finding.verdict.overwritten(Verdict.PASS)
    report.lines = tester.lines
    report.visited = set(tester.visited)
    report.slowest_s = tester.slowest_ns / 1e9
    verdict = Verdict.NONE
    for finding in report.findings.values():
        verdict = verdict.overwritten(finding.verdict)
    report.verdict = verdict


__all__ = ["Failure", "Finding", "PortError", "Progress", "Report", "run"]
