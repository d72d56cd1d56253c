"""A check: which purposes run, in what order, and what came of them.

Order is breadth first: every requirement's cheapest purpose before anyone's second. Each purpose starts from
the initial state with default settings. A purpose that finds something broken is a failure of the requirement
that the answer bears on; the check gets acquainted with the instrument anew and goes on.
"""

from __future__ import annotations

import random
import time
from collections.abc import Callable, Iterator, Sequence, Set
from contextlib import contextmanager
from dataclasses import dataclass, field, replace
from fnmatch import fnmatchcase
from functools import partial

from wirevow.protocol.conformance.allowance import NEEDS, USED_UP
from wirevow.protocol.conformance.blame import names_of, shape
from wirevow.protocol.conformance.bracket import Evidence, judged
from wirevow.protocol.conformance.casefile import Case, steps_of
from wirevow.protocol.conformance.gate import NotSelected
from wirevow.protocol.conformance.host import lateness_ns
from wirevow.protocol.conformance.outcome import Broken, Doubtful, Late, NoInstrument, OutOfBudget
from wirevow.protocol.conformance.purposes import TOUR, Purpose, purposes_for
from wirevow.protocol.conformance.purposes.tour import ORDER
from wirevow.protocol.conformance.replay import Recurrence, purpose_random, recurrence, shortened
from wirevow.protocol.conformance.replies import ReplyTimes, reply_times
from wirevow.protocol.conformance.search.group import Searches
from wirevow.protocol.conformance.selection import NOT_ASKED
from wirevow.protocol.conformance.suite.group import Group, group_for
from wirevow.protocol.conformance.tester import Tester
from wirevow.protocol.conformance.verdict import Verdict
from wirevow.protocol.document.load import Marks
from wirevow.protocol.document.model import Document
from wirevow.protocol.document.requirements import Requirement, requirements
from wirevow.protocol.serialport import PortError

LOOKS = 3
"""Purposes up to this rank come before the sequences of the suite; the rest is mixed with them."""
MOST_FAILURES = 25
"""A check that finds more stops looking: the instrument is another one, or broken altogether."""
MOST_CUT_SHORT = 100
"""So does one that has so many purposes end in failures, written down or not."""
CASES = 3
"""Of one requirement so many failures are written down, and shortened; then it is known to be broken, and
nothing more is tried for its own sake."""

LATE_ACQUAINTED = 20
"""So often a late host may keep the check from getting to know the instrument."""
LATE_TRIES = 3
"""A purpose is tried so often while the host is late: what the instrument does, it does again."""
TIMED = (
    "trip.*",
    "state.*",
    "law.*",
    "promise.*",
    "action.*.effect",
    "action.*.ticket",
    "point.*.fresh",
    "wire.boot",
    "wire.deadline",
    "wire.idle",
    "wire.notice.*",
    "wire.watchdog",
)
"""Requirements about when something happens, or what has happened by then: a host that was late itself may
have looked too late, or been silent too long."""
DEFECTS = (ArithmeticError, AssertionError, AttributeError, LookupError, TypeError, ValueError)
"""What a purpose never raises, unless the checker itself is wrong."""
FIRST_FAILURE = "stopped at the first failure"
CUT_SHORT = "the check ended before all that tries it was done"
BOOTS_EVERY = 100
"""Lines after which a silent boot is looked for again."""


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
    case: Case
    """The way to it, as short as it was found to be."""
    again: Recurrence | None = None
    """How often it came when it was looked for again; None if that was not done."""
    also: list[tuple[str, str]] = field(default_factory=list)
    """Other requirements that the same difference breaks, and how it shows there."""


@dataclass(slots=True)
class Finding:
    """What is known of one requirement."""

    requirement: Requirement
    verdict: Verdict = Verdict.NONE
    reason: str = ""
    """Why it was not selected, or is inconclusive, or what broke it."""
    purposes: int = 0
    left: int = 0
    """Purposes that the check has not come to."""
    answers: int = 0
    """Right answers that bore on it."""
    failures: int = 0
    """Wrong ones, whether they were written down or not."""
    measured: str = ""
    """What was measured for it, and how surely."""
    evidence: tuple[Evidence, ...] = ()
    """Of the numbers in the promise."""


@dataclass(slots=True)
class Spent:
    """What the purposes of one room have cost and found."""

    lines: int = 0
    seconds: float = 0.0
    failures: int = 0


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
    bytes_sha256: str = ""
    """Digest of all bytes both ways; on a held clock the same wherever the instrument is connected."""
    replies: ReplyTimes = field(default_factory=ReplyTimes)
    guarantee: str = ""
    """What the complete suite of the state machine has shown, with its assumptions, in words."""
    rooms: dict[str, Spent] = field(default_factory=dict)
    """By room (`Purpose.room`), without the ways to where a purpose begins."""


_Item = tuple[Requirement, Purpose]

Progress = Callable[[int, int, Finding], None]
"""Purposes done, purposes in all, and the finding at work."""


def blank(
    tester: Tester, *, seed: int = 0, marks: Marks | None = None, document: Document | None = None
) -> Report:
    """The report of a check of which nothing is done yet. `marks`: the document's lines. `document` is the
    whole of it, where the instrument is held to a part."""
    return Report(
        *tester.vow.identity,
        port=str(tester.session.port.port),
        seed=seed,
        findings={each.id: Finding(each) for each in requirements(document or tester.vow.document, marks)},
        energised=tester.energise,
        rig=tester.rig is not None,
    )


def run(
    tester: Tester,
    *,
    seed: int = 0,
    source: str = "",
    marks: Marks | None = None,
    reduce: bool = True,
    progress: Progress | None = None,
    until_failure: bool = False,
    report: Report | None = None,
    group: Group | None = None,
    searches: Searches | None = None,
    only: Set[str] | None = None,
) -> Report:
    """Check the instrument.

    `source` is the document's path and `marks` its lines, for reports and case files; `reduce` looks for a
    shorter way to each failure. `report` is filled in, for a caller who wants what there is when an
    exception ends the check, or leaves findings out of it: nothing is tried for their sake. `group` is the
    suite of the state machine, by default the one for no extra states; `searches` those of the check, by
    default some that remember nothing. With `only` just the requirements of these ids are looked at; what is
    seen of others by the way is not told, unless it is wrong.
    PortError and NoInstrument pass through when nothing could be checked.
    """
    if report is None:
        report = blank(tester, seed=seed, marks=marks)
    chosen = report.findings.keys() if only is None else report.findings.keys() & only
    asked = [finding.requirement for name, finding in report.findings.items() if name in chosen]
    began = time.monotonic()
    order = random.Random(seed)
    # The tour has its own order.
    place = {work: index for index, work in enumerate(ORDER)}
    work = [
        (each.rank, place[each.work] if each.rank == TOUR else order.random(), requirement, each)
        for requirement in asked
        for each in purposes_for(requirement)
    ]
    work.sort(key=lambda each: each[:2])
    looks = [(requirement, each) for rank, _, requirement, each in work if rank <= LOOKS]
    rest = [(requirement, each) for rank, _, requirement, each in work if rank > LOOKS]
    group = group_for(tester) if group is None else group
    searches = Searches() if searches is None else searches
    host_ns = 0 if tester.session.held else lateness_ns()
    tester.shorten = reduce
    batches, walks, recalled = (
        [(report.findings[name].requirement, each) for name, each in named if name in chosen]
        for named in (
            group.batches(report.findings.keys()),
            searches.batches(tester),
            searches.recalled(tester),
        )
    )
    whole = [*recalled, *looks, *_mixed(rest, _mixed(batches, walks))]
    for requirement, _ in whole:
        report.findings[requirement.id].left += 1
    try:
        _work(tester, report, whole, progress, until_failure, _Scribe(source, reduce))
    finally:
        report.guarantee = group.guarantee() if only is None else ""
        _tally(tester, report, chosen)
        report.replies = reply_times(tester.reply_ns, max(host_ns, tester.latest_ns))
        report.bytes_sha256 = tester.session.bytes_sha256
        report.seconds = time.monotonic() - began
    return report


def _mixed(some: Sequence[_Item], others: Sequence[_Item]) -> list[_Item]:
    """Both in their order, evenly mixed."""
    placed = [(index / len(each), each[index]) for each in (some, others) for index in range(len(each))]
    return [item for _, item in sorted(placed, key=lambda each: each[0])]


def _work(
    tester: Tester,
    report: Report,
    work: list[tuple[Requirement, Purpose]],
    progress: Progress | None,
    until_failure: bool,
    scribe: _Scribe,
) -> None:
    if not _acquaint(tester, report, scribe):
        return
    if until_failure and report.failures:
        report.note = FIRST_FAILURE
        return
    counted = tester.lines
    cut_short = 0
    late = 0
    excuse: Late | None
    for done, (requirement, purpose) in enumerate(work):
        finding = report.findings[requirement.id]
        if finding.failures >= CASES and purpose.section == requirement.section:
            finding.left -= 1
            continue
        if progress is not None:
            progress(done, len(work), finding)
        excuse, suspect = None, finding
        try:
            tester.trying = None
            tester.lenient = late < LATE_TRIES - 1
            tester.home()
            tester.mark()
            began = tester.lines
            with _spent(tester, report.rooms.setdefault(purpose.room, Spent())):
                _try(tester, report.seed, requirement, purpose)
            if tester.lines - counted >= BOOTS_EVERY and tester.tells("self.boots"):
                tester.trying = "wire.boot"
                tester.ask("self.boots")
                counted = tester.lines
            finding.purposes += 1
            if tester.lines > began:
                # Who asked nothing has seen nothing; what was seen before is kept (`Tester.keep`).
                finding.verdict = finding.verdict.overwritten(Verdict.PASS)
        except NotSelected as why:
            theirs = any(words in str(why) for words in (NEEDS, USED_UP))
            if not finding.reason or theirs:
                finding.reason = str(why)  # what the person can change is told first
        except Late as why:
            excuse, suspect = why, report.findings["wire.deadline"]
        except Doubtful as why:
            finding.verdict = finding.verdict.overwritten(Verdict.INCONCLUSIVE)
            finding.reason = str(why)
        except OutOfBudget:
            report.note = _used_up(tester)
            return
        except DEFECTS as defect:
            # Ours, not the instrument's; what else there is to try is tried.
            finding.verdict = finding.verdict.overwritten(Verdict.INCONCLUSIVE)
            finding.reason = f"a defect of Wirevow, please report it: {type(defect).__name__}: {defect}"
            if not _acquaint(tester, report, scribe):
                return
        except Broken as broken:
            excuse = _excuse(tester, broken, late)
            suspect = report.findings.get(broken.judgement.requirement, finding)
            if excuse is None:
                work_again = partial(_try, tester, report.seed, requirement, purpose)
                _fail(tester, report, requirement, broken, scribe, work_again)
                cut_short += 1
                if until_failure or len(report.failures) >= MOST_FAILURES or cut_short >= MOST_CUT_SHORT:
                    report.note = report.note or (FIRST_FAILURE if until_failure else "too many failures")
                    return
                if not _acquaint(tester, report, scribe):
                    return
        if excuse is not None:
            if not _again(tester, report, requirement, excuse, scribe):
                return
            late += 1
            if excuse.broken is not None:
                _doubt(suspect, excuse)
            if late < LATE_TRIES:
                work.insert(done + 1, (requirement, purpose))
                continue
            _doubt(finding, excuse)
            _doubt(suspect, excuse)
        finding.left -= 1
        late = 0
    if progress is not None and work:
        progress(len(work), len(work), report.findings[work[-1][0].id])


@contextmanager
def _spent(tester: Tester, spent: Spent) -> Iterator[None]:
    lines, began_s = tester.lines, time.monotonic()
    try:
        yield
    except Broken:
        spent.failures += 1
        raise
    finally:
        spent.lines += tester.lines - lines
        spent.seconds += time.monotonic() - began_s


def _try(tester: Tester, seed: int, requirement: Requirement, purpose: Purpose) -> None:
    """Work a purpose from the initial state."""
    # Sequences and searches go by a requirement's name; they try everything.
    tester.trying = requirement.id if purpose.section == requirement.section else None
    tester.random = purpose_random(seed, requirement.id, purpose.rank)
    purpose.work(tester, requirement)
    tester.quiet()


def _excuse(tester: Tester, broken: Broken, tries: int) -> Late | None:
    """What the host's own delay explains, if it does; what comes again on every try and is no matter of time
    is not explained by it."""
    name = broken.judgement.requirement
    if broken.punctual or not (delay := tester.host_delay()):
        return None
    if tries >= LATE_TRIES - 1 and not any(fnmatchcase(name, each) for each in TIMED):
        return None
    seen = f"{broken.sent}: expected {broken.judgement.expected or 'nothing'}, seen {broken.seen}"
    return Late(f"{name}: {seen}; {delay}", broken)


def _doubt(finding: Finding, why: Doubtful) -> None:
    finding.verdict = finding.verdict.overwritten(Verdict.INCONCLUSIVE)
    finding.reason = str(why)


def _again(tester: Tester, report: Report, purpose: Requirement, late: Late, scribe: _Scribe) -> bool:
    """Get to know it anew after a late answer. If nothing answers any more it was not late, but silent."""
    broken = late.silent
    if broken is not None:
        broken.steps, broken.lines = tester.since_mark(), tester.lines
    for attempt in range(LATE_TRIES):
        received = tester.session.received
        try:
            return _acquaint(tester, report, scribe)
        except NoInstrument as lost:
            delay = tester.host_delay()
            if delay and attempt < LATE_TRIES - 1:
                continue
            silent = tester.session.received == received and not tester.simulator_delay()
            if not delay or silent:
                if broken is None:
                    raise
                _fail(tester, report, purpose, broken, scribe)
            report.note = f"{lost.message} ({delay})" if delay else lost.message
            break
    return False


def _acquaint(tester: Tester, report: Report, scribe: _Scribe) -> bool:
    """Get to know the instrument; whether the check can go on."""
    tester.trying = None
    attempt = late = 0
    while attempt < 2:
        try:
            tester.lenient = late < LATE_TRIES
            tester.mark()
            tester.acquaint()
            return True
        except (Late, Broken) as found:
            excuse = found if isinstance(found, Late) else _excuse(tester, found, late)
            if excuse is not None:
                late += 1
                if late == LATE_ACQUAINTED:
                    report.note = str(excuse)
                    return False
                continue
            broken = found
            assert isinstance(broken, Broken)
            requirement = report.findings.get(broken.judgement.requirement)
            _fail(tester, report, requirement.requirement if requirement else None, broken, scribe)
        except OutOfBudget:
            report.note = _used_up(tester)
            return False
        except NoInstrument as lost:
            if not report.failures and not attempt:
                raise
            report.note = lost.message
            return False
        except (Doubtful, NotSelected) as why:
            report.note = f"the instrument cannot be brought back to a known state: {why}"
            return False
        attempt += 1
    report.note = "the instrument cannot be brought back to a known state"
    return False


def _used_up(tester: Tester) -> str:
    return f"the budget of {tester.budget} lines is used up"


@dataclass(frozen=True, slots=True)
class _Scribe:
    """Writes failures down as cases."""

    source: str
    reduce: bool

    def case(
        self,
        tester: Tester,
        report: Report,
        finding: Finding,
        purpose: str,
        broken: Broken,
    ) -> Case:
        """The way to it."""
        steps = steps_of(broken.steps or tester.since_mark(), tester.vow)
        requirement = finding.requirement
        return Case(
            document=" ".join(tester.vow.identity),
            requirement=requirement.id,
            promise=requirement.sentence,
            written=f"{self.source}:{requirement.line}" if requirement.line is not None else self.source,
            purpose=purpose,
            seed=report.seed,
            steps=steps,
            expected=broken.judgement.expected,
            seen=broken.seen,
        )


def _looked_for(
    tester: Tester, case: Case, work: Callable[[], None] | None
) -> tuple[Case, Recurrence | None]:
    """A shorter way to it, and whether it comes again on it, or else when `work` is done."""
    shorter = shortened(tester, case)
    if shorter is not None:
        return shorter, Recurrence(1, 1)
    return case, None if work is None else recurrence(tester, work)


def _fail(
    tester: Tester,
    report: Report,
    purpose: Requirement | None,
    broken: Broken,
    scribe: _Scribe,
    work: Callable[[], None] | None = None,
) -> None:
    identity = broken.judgement.requirement
    finding = report.findings.get(identity)
    if finding is None:
        # An answer about something that this document has no requirement for: the purpose's own is broken.
        finding = report.findings[purpose.id] if purpose is not None else next(iter(report.findings.values()))
        identity = finding.requirement.id
    lines = tester.lines if broken.lines is None else broken.lines
    seen_here = f"{broken.sent}: expected {broken.judgement.expected or 'nothing'}, seen {broken.seen}"
    first = _same_cause(report, finding.requirement, broken, names_of(tester.vow))
    finding.verdict = finding.verdict.overwritten(Verdict.FAIL)
    finding.failures += 1
    if purpose is not None and purpose.id != identity:
        other = report.findings[purpose.id]
        other.verdict = other.verdict.overwritten(Verdict.INCONCLUSIVE)
        other.reason = other.reason or f"cut short by {identity}"
    if finding.failures > CASES:
        return
    if first is not None:
        finding.reason = finding.reason or f"as {first.requirement} is: {seen_here}"
        if identity != first.requirement and identity not in dict(first.also):
            first.also.append((identity, seen_here))
        return
    finding.reason = seen_here
    tried = purpose.id if purpose is not None else identity
    case = scribe.case(tester, report, finding, tried, broken)
    # It is known before a shorter way to it is looked for, which may be broken off.
    report.failures.append(Failure(identity, tried, broken.sent, case.expected, case.seen, lines, case))
    if scribe.reduce:
        shorter, again = _looked_for(tester, case, work)
        report.failures[-1] = replace(
            report.failures[-1], expected=shorter.expected, seen=shorter.seen, case=shorter, again=again
        )


def _same_cause(report: Report, requirement: Requirement, broken: Broken, names: Set[str]) -> Failure | None:
    """The failure that differs in the same way, if there is one: of the same promise, whatever was due then,
    or of the same promise of another element."""
    due, seen = shape(broken.judgement.expected, names), shape(broken.seen, names)
    for failure in report.failures:
        other = report.findings[failure.requirement].requirement
        alike = (other.section, other.aspect) == (requirement.section, requirement.aspect)
        if not alike or shape(failure.seen, names) != seen:
            continue
        if other.id == requirement.id or shape(failure.expected, names) == due:
            return failure
    return None


def _tally(tester: Tester, report: Report, chosen: Set[str]) -> None:
    for requirement, count in tester.kept.items():
        finding = report.findings.get(requirement)
        if finding is not None:
            finding.answers = count
            finding.verdict = finding.verdict.overwritten(Verdict.PASS)
    for requirement, words in tester.measured.items():
        if requirement in report.findings:
            report.findings[requirement].measured = words
    for finding in report.findings.values():
        if finding.left and finding.verdict is Verdict.PASS:
            # What was shown so far is not all that shows it.
            finding.verdict, finding.reason = Verdict.INCONCLUSIVE, CUT_SHORT
    for name, finding in report.findings.items():
        finding.evidence = tuple(tester.evidence.get(name, {}).values())
        before = finding.verdict
        finding.verdict, words = judged(tester.vow.document, finding.requirement, before, finding.evidence)
        if finding.verdict is not before:
            finding.reason, finding.measured = words, ""
        elif words:
            finding.measured = "; ".join(filter(None, (words, finding.measured)))
    for name, finding in report.findings.items():
        if name not in chosen and finding.verdict < Verdict.FAIL:
            report.findings[name] = Finding(finding.requirement, reason=NOT_ASKED)
    report.lines = tester.lines
    report.visited = set(tester.visited)
    report.slowest_s = tester.slowest_ns / 1e9
    verdict = Verdict.NONE
    for finding in report.findings.values():
        verdict = verdict.overwritten(finding.verdict)
    if any(finding.left for finding in report.findings.values()):
        verdict = verdict.overwritten(Verdict.INCONCLUSIVE)
    report.verdict = verdict


__all__ = ["Failure", "Finding", "PortError", "Progress", "Report", "run"]
