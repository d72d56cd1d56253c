"""Proof that the checker can fail: it is run against every fault of the catalogue, and once against none.

A *trial* is one check of one instrument (`emu.direct`), ended by its first failure. Trials run on every core
or on many machines (`wirevow.emu.executor`). What came of one is its *outcome*:

=============  =============================================================================  ========
outcome        meaning                                                                        detected
=============  =============================================================================  ========
`failure`      a promise was found broken                                                     yes
`turned away`  the check ended before it began: this is not the document's instrument         yes
`inconclusive` something was tried and could not be judged                                    no
`passed`       nothing was found                                                              no
`error`        the check itself came to grief: a defect of Wirevow                            no
=============  =============================================================================  ========

Firmware in C has three more (`wirevow.emu.firmware.mutants.trials`): `crash`, `hang`, `timeout`.
"""

from __future__ import annotations

import statistics
import time
from collections.abc import Callable, Generator, Iterable, Sequence
from contextlib import closing
from dataclasses import asdict, dataclass, replace
from fnmatch import fnmatchcase
from functools import cache
from pathlib import Path
from typing import Any

from wirevow.emu import executor
from wirevow.emu.direct import BUDGET, direct_tester
from wirevow.emu.faults import build_instrument, fault_named
from wirevow.emu.kept import Kept
from wirevow.emu.ports.interface import Instrument
from wirevow.protocol.conformance import campaign
from wirevow.protocol.conformance.outcome import NoInstrument
from wirevow.protocol.conformance.verdict import Verdict
from wirevow.protocol.document.load import load_document
from wirevow.protocol.vow import Vow, compile_vow

JSON_VERSION = 1
DETECTED = frozenset({"failure", "turned away", "crash", "hang"})


@dataclass(frozen=True, slots=True)
class Trial:
    """What came of one check."""

    fault: str | None
    """None: the clean instrument."""
    seed: int
    outcome: str
    lines: int
    """Requests sent up to the failure, or in all."""
    seconds: float
    requirement: str | None = None
    """The promise found broken."""
    purpose: str | None = None
    """The requirement that was being tried then."""
    rightly: bool | None = None
    """Whether that promise is one of those that the fault breaks by its own account."""
    message: str = ""
    """What was expected and seen, or why it ended."""
    bytes_sha256: str = ""
    """Of a check that came to its end: digest of all bytes both ways."""

    @property
    def detected(self) -> bool:
        """Whether the checker said that something is wrong with the instrument."""
        return self.outcome in DETECTED


def attempt(vow: Vow, fault: str | None, seed: int) -> Trial:
    """One trial of a simulated instrument. Nothing but KeyboardInterrupt passes through."""
    trial = tried(vow, lambda: build_instrument(vow, seed=seed, fault=fault), fault, seed)
    if fault is None or trial.requirement is None:
        return trial
    return replace(trial, rightly=accuses_rightly(fault, trial.requirement))


def tried(
    vow: Vow, make: Callable[[], Instrument], fault: str | None, seed: int, budget: int = BUDGET
) -> Trial:
    """One trial of whatever instrument is made. Nothing but KeyboardInterrupt passes through."""
    begun = time.perf_counter()

    def trial(outcome: str, lines: int, message: str, failure: campaign.Failure | None = None) -> Trial:
        seconds = round(time.perf_counter() - begun, 3)
        if failure is None:
            return Trial(fault, seed, outcome, lines, seconds, message=message)
        accused, purpose = failure.requirement, failure.purpose
        return Trial(fault, seed, outcome, lines, seconds, accused, purpose, message=message)

    tester = None
    try:
        tester = direct_tester(vow, make(), seed=seed, budget=budget)
        report = campaign.run(tester, seed=seed, until_failure=True, reduce=False)
    except NoInstrument as stranger:
        return trial("turned away", tester.lines if tester is not None else 0, stranger.message)
    except Exception as error:
        place = error.__traceback__
        while place is not None and place.tb_next is not None:
            place = place.tb_next
        file = Path(place.tb_frame.f_code.co_filename).name if place is not None else "?"
        line = place.tb_lineno if place is not None else 0
        message = f"{type(error).__name__} at {file}:{line}: {error}"
        return trial("error", tester.lines if tester is not None else 0, message)
    if report.failures:
        failure = report.failures[0]
        sent = f"{failure.sent}: " if failure.sent else ""
        message = f"{sent}expected {failure.expected or 'nothing'}, seen {failure.seen}"
        return trial("failure", failure.lines, message, failure)
    if report.verdict is Verdict.PASS and not report.note:
        whole = trial("passed", report.lines, "")
    else:
        doubts = [f.reason for f in report.findings.values() if f.verdict is Verdict.INCONCLUSIVE]
        whole = trial("inconclusive", report.lines, report.note or "; ".join(doubts))
    return replace(whole, bytes_sha256=report.bytes_sha256)


def accuses_rightly(fault: str, requirement: str) -> bool:
    """Whether a requirement is one of those that a fault breaks by its own account."""
    return any(fnmatchcase(requirement, pattern) for pattern in fault_named(fault).breaks)


# ---------------------------------------------------------------------------------------- many of them


@cache
def vow_at(document: str) -> Vow:
    """The vow of a document, compiled once in each process."""
    return compile_vow(load_document(document).document)


def _attempt(task: tuple[str, str | None, int]) -> Trial:
    document, fault, seed = task
    if fault is not None and "/" in fault:
        from wirevow.emu.mutants import attempt_mutant

        return attempt_mutant(vow_at(document), fault, seed)
    return attempt(vow_at(document), fault, seed)


def trials(
    document: Path,
    tasks: Iterable[tuple[str | None, int]],
    jobs: int | None = None,
    on: str | None = None,
    kept: Kept | None = None,
) -> Generator[Trial, None, None]:
    """Trials of a document's instrument, (fault or mutant, seed) each: those kept, then as they are done.

    Where they are done is as `wirevow.emu.executor.results` says.
    """
    known = {} if kept is None else kept.known
    keys = {f"{document.name} {fault or ''} {seed}": (fault, seed) for fault, seed in tasks}
    yield from (Trial(**known[key]) for key in keys if key in known)
    where = str(document.resolve())
    left = [(where, fault, seed) for key, (fault, seed) in keys.items() if key not in known]
    if not left:
        return
    with closing(executor.results(_attempt, left, on=on, jobs=jobs)) as done:
        for _, trial in done:
            if kept is not None:
                kept.add(f"{document.name} {trial.fault or ''} {trial.seed}", asdict(trial))
            yield trial


# ------------------------------------------------------------------------------------------------ the score


@dataclass(frozen=True, slots=True)
class Score:
    """How a set of faults fared."""

    faults: int
    detected: int
    rightly: int
    """Of those detected by a failure, how many with a promise that the fault breaks by its own account."""
    accused: int
    """How many were detected by a failure."""
    median_lines: float | None
    """Requests to detection, over those detected; None without any."""
    most_lines: int | None


def score(results: Iterable[Trial]) -> Score:
    """The score of trials with faults."""
    results = list(results)
    detected = [each.lines for each in results if each.detected]
    return Score(
        faults=len(results),
        detected=len(detected),
        rightly=sum(each.rightly is True for each in results),
        accused=sum(each.rightly is not None for each in results),
        median_lines=statistics.median(detected) if detected else None,
        most_lines=max(detected, default=None),
    )


def by_kind(results: Sequence[Trial]) -> dict[str, list[Trial]]:
    """Trials with faults by the fault's kind, in the catalogue's order."""
    from wirevow.emu.faults.catalogue import KINDS

    kinds: dict[str, list[Trial]] = {kind.name: [] for kind in KINDS}
    for each in results:
        assert each.fault is not None
        kinds[fault_named(each.fault).kind].append(each)
    return {kind: found for kind, found in kinds.items() if found}


def as_json(
    vow: Vow, seed: int, clean: Trial, results: Sequence[Trial], named: Sequence[Trial], asked: int
) -> dict[str, Any]:
    """An audit as JSON.

    ========== =========================================================================================
    key        value
    ========== =========================================================================================
    `audit`    version of this form, 1
    `document` `name`, `version` and `digest` (8 hex digits) of the document
    `seed`     of instruments and checks
    `complete` whether every trial was made
    `clean`    the trial without a fault: `outcome` (`passed` is right), `lines`, `seconds`, `message`
    `scores`   `all`, `tuned`, `held_out` and one for each kind under `kinds`: `faults`, `detected`,
               `rightly`, `accused`, `median_lines`, `most_lines` (see `Score`)
    `faults`   the trials that are named: `fault`, `kind`, `held_out`, `detected`, `outcome`, `lines`,
               `seconds`, `requirement`, `purpose`, `rightly`, `message` (see `Trial`)
    ========== =========================================================================================
    """
    tuned = [each for each in results if not _held_out(each)]
    held_out = [each for each in results if _held_out(each)]
    return {
        "audit": JSON_VERSION,
        "document": dict(zip(("name", "version", "digest"), vow.identity, strict=True)),
        "seed": seed,
        "complete": len(results) == asked,
        "clean": {key: getattr(clean, key) for key in ("outcome", "lines", "seconds", "message")},
        "scores": {
            "all": asdict(score(results)),
            "tuned": asdict(score(tuned)),
            "held_out": asdict(score(held_out)),
            "kinds": {kind: asdict(score(found)) for kind, found in by_kind(results).items()},
        },
        "faults": [
            {
                "kind": fault_named(each.fault).kind,
                "held_out": _held_out(each),
                "detected": each.detected,
                **{key: value for key, value in asdict(each).items() if key != "seed"},
            }
            for each in named
            if each.fault is not None
        ],
    }


def _held_out(trial: Trial) -> bool:
    return trial.fault is not None and fault_named(trial.fault).holdout
