"""A check from beginning to end: a document, a port, and the outcome, whatever ends it."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from contextlib import AbstractContextManager, nullcontext
from dataclasses import dataclass
from datetime import UTC, datetime
from os import PathLike

from wirevow.emu.loading import sound, spoken
from wirevow.protocol.conformance import campaign
from wirevow.protocol.conformance.allowance import Kind
from wirevow.protocol.conformance.campaign import Progress, Report
from wirevow.protocol.conformance.cautions import WITHIN_ENVELOPE
from wirevow.protocol.conformance.envelope import Envelope, load_envelope
from wirevow.protocol.conformance.hookup import hooked_up
from wirevow.protocol.conformance.plan import NotAgreed
from wirevow.protocol.conformance.rig import Rig
from wirevow.protocol.conformance.search.group import Searches
from wirevow.protocol.conformance.selection import selected
from wirevow.protocol.conformance.suite.group import group_for
from wirevow.protocol.conformance.verdict import Verdict
from wirevow.protocol.dialect.file import Phrasebook
from wirevow.protocol.dialect.narrow import left_out
from wirevow.protocol.document.load import Loaded
from wirevow.protocol.document.model import Document
from wirevow.protocol.document.requirements import requirements
from wirevow.protocol.errors import WirevowError
from wirevow.protocol.report.outcome import Outcome, outcome_of
from wirevow.protocol.vow import Vow, compile_vow

Shown = Callable[[Report], AbstractContextManager[Progress | None]]
"""Shows how far a check is, for as long as it runs."""
Kept = Callable[[Report], dict[int, str]]
"""Writes the failures' case files; their paths by the failure's index."""


@dataclass(frozen=True, slots=True)
class Ended:
    """How a check ended: what it has found, and what ended it early, if anything did."""

    verdict: Verdict
    outcome: Outcome
    trouble: WirevowError | KeyboardInterrupt | None
    report: Report
    used: Mapping[Kind, int]
    """How often each kind of what `allow` lets it do was done to a real instrument."""
    rig: Rig | None
    """The hands, let go of: what a simulated instrument's can tell is still told."""


def check(
    doc: str | PathLike[str],
    port: str,
    *,
    rig: str | None = None,
    seed: int = 0,
    envelope: str | PathLike[str] | None = None,
    budget: int | None = None,
    extra_states: int = 0,
    only: Sequence[str] = (),
    allow: Sequence[str] = (),
    dialect: str | PathLike[str] | None = None,
) -> Outcome:
    """Hold the instrument at `port` to every requirement of `doc`.

    `doc` is a file, or the name of a document that comes with Wirevow. `port` is whatever pyserial opens, or
    `emu://NAME`; `rig` the endpoint of the hands on its bench. Nothing is energised unless a rig says the
    instrument is simulated, or `envelope`, a file, says how far a real one may go: giving it means that its
    cautions have been read. Nobody is asked before the settings of a real one are changed. `budget` is the
    most lines that are sent. `only` are patterns such as `trip.*` of the requirements to look at; the rest is
    not selected. `allow` are the kinds of what may be done to a real instrument: `store` (save), `boot` and
    `switch` (its outputs), each with a ceiling as in `store=20`; an envelope implies `switch`.
    `dialect` is the file of the firmware's own syntax, if it has one. Raises WirevowError.
    """
    loaded = sound(doc)
    book, vow = spoken(dialect, compile_vow(loaded.document))
    within = None if envelope is None else load_envelope(str(envelope), vow)
    ended = run(
        loaded,
        vow,
        port,
        rig=rig,
        seed=seed,
        envelope=within,
        budget=budget,
        extra_states=extra_states,
        only=only,
        allow=allow,
        book=book,
    )
    if ended.trouble is not None:
        raise ended.trouble
    return ended.outcome


def run(
    loaded: Loaded[Document],
    vow: Vow,
    port: str,
    *,
    rig: str | None,
    seed: int,
    envelope: Envelope | None,
    budget: int | None,
    extra_states: int,
    only: Sequence[str] = (),
    allow: Sequence[str] = (),
    book: Phrasebook | None = None,
    searches: Searches | None = None,
    agree: Callable[[], None] | None = None,
    say: Callable[[str], None] = lambda text: None,
    shown: Shown = lambda report: nullcontext(),
    kept: Kept = lambda report: {},
) -> Ended:
    """Check, and put in order what came of it; only what ends it before it begins is raised.

    `book` is the firmware's dialect, and `vow` then what it can be held to (`narrowed`).
    `searches` are those of the check, by default some that remember nothing. `agree` is called before the
    first thing that changes anything of a real instrument, and raises NotAgreed if nobody agrees to it. `say`
    gets what a person must read, warnings included.
    """
    started = datetime.now(UTC)
    ids = [each.id for each in requirements(loaded.document)]
    chosen = selected(ids, only) if only else None
    lacking = {} if book is None else left_out(book)
    trouble: WirevowError | KeyboardInterrupt | None = None
    hookup, report = None, None
    try:
        with hooked_up(
            vow, port, rig, seed=seed, budget=budget, envelope=envelope, allow=allow, agree=agree, book=book
        ) as hookup:
            report = campaign.blank(hookup.tester, seed=seed, marks=loaded.marks, document=loaded.document)
            group = group_for(hookup.tester, extra_states)
            if extra_states:
                say(f"the suite of the state machine: {group.cost()}")
            with shown(report) as progress:
                campaign.run(
                    hookup.tester,
                    seed=seed,
                    source=loaded.name,
                    progress=progress,
                    report=report,
                    group=group,
                    searches=searches,
                    only=(chosen or frozenset(ids)) - lacking.keys() if lacking else chosen,
                )
    except (WirevowError, KeyboardInterrupt) as error:
        if hookup is None or report is None or isinstance(error, NotAgreed):
            raise
        trouble = error
    finally:
        for warning in hookup.warnings if hookup is not None else ():
            say(warning)
    for name, reason in lacking.items():
        if report.findings[name].verdict is Verdict.NONE and (chosen is None or name in chosen):
            report.findings[name].reason = reason
    if isinstance(trouble, WirevowError):
        report.verdict, report.note = Verdict.ERROR, trouble.message
    elif trouble is not None:
        report.verdict, report.note = report.verdict.overwritten(Verdict.INCONCLUSIVE), "it was interrupted"
    outcome = outcome_of(
        report,
        loaded,
        hookup.used(),
        rig=rig if rig is not None else (port if hookup.tester.rig is not None else None),
        simulated=hookup.simulated,
        held=hookup.tester.session.held,
        budget=budget,
        started=started,
        warnings=hookup.warnings,
        cautions=WITHIN_ENVELOPE if hookup.tester.gate is not None else (),
        cases=kept(report),
        done=hookup.tester.account.done(hookup.tester.now_ns),
    )
    return Ended(report.verdict, outcome, trouble, report, hookup.tester.limits.done, hookup.tester.rig)
