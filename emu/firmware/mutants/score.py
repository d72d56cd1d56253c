"""How the mutants of a firmware fared, by file and by kind, in words and as JSON."""

from __future__ import annotations

import statistics
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import asdict, dataclass
from typing import Any

from wirevow.emu.audit import Trial
from wirevow.emu.firmware.mutants.excused import Excuse, change
from wirevow.emu.firmware.mutants.operators import Mutant
from wirevow.protocol.vow import Vow

JSON_VERSION = 1
BAR = 0.95
"""The least share of mutants, but for those excused, that a good checker detects."""


@dataclass(frozen=True, slots=True)
class Fate:
    """A mutant and what came of it."""

    mutant: Mutant
    trial: Trial | None
    """None: excused, not tried."""
    excuse: Excuse | None = None
    """Or why nothing finds it yet, as is known."""

    @property
    def survived(self) -> bool:
        """Neither detected nor excused."""
        return self.trial is not None and not self.trial.detected


@dataclass(frozen=True, slots=True)
class Score:
    """How a set of mutants fared."""

    mutants: int
    detected: int
    """By a broken promise, a crash or a hang."""
    crashed: int
    hung: int
    timeouts: int
    """Of those not detected, how many because the check was not done in time."""
    equivalent: int
    outside: int
    share: float | None
    """Of the mutants neither equivalent nor outside the promises, the share detected."""
    share_with_outside: float | None
    """The same if those outside the promises counted as survivors."""
    median_lines: float | None
    """Requests to detection; None without any."""
    most_lines: int | None


def score(fates: Iterable[Fate]) -> Score:
    """The score of some mutants."""
    fates = list(fates)
    tried = [fate.trial for fate in fates if fate.trial is not None]
    excused = [fate.excuse.verdict for fate in fates if fate.excuse is not None]
    detected = [trial for trial in tried if trial.detected]
    lines = [trial.lines for trial in detected if trial.outcome not in ("crash", "hang")]
    outside = excused.count("outside")
    return Score(
        mutants=len(fates),
        detected=len(detected),
        crashed=sum(trial.outcome == "crash" for trial in tried),
        hung=sum(trial.outcome == "hang" for trial in tried),
        timeouts=sum(trial.outcome == "timeout" for trial in tried),
        equivalent=excused.count("equivalent"),
        outside=outside,
        share=len(detected) / len(tried) if tried else None,
        share_with_outside=len(detected) / (len(tried) + outside) if tried else None,
        median_lines=statistics.median(lines) if lines else None,
        most_lines=max(lines, default=None),
    )


def grouped(fates: Sequence[Fate], key: str) -> Mapping[str, list[Fate]]:
    """Fates by `file` or `kind` of the mutant, in the order of their first."""
    found: dict[str, list[Fate]] = {}
    for fate in fates:
        found.setdefault(getattr(fate.mutant, key), []).append(fate)
    return found


def told(fates: Sequence[Fate]) -> Iterator[str]:
    """The scores, then every survivor with what it does."""
    head = ("", "mutants", "equivalent", "outside", "detected", "crash", "hang", "share", "median", "most")
    yield _row(head)
    for key in ("file", "kind"):
        for name, group in sorted(grouped(fates, key).items()):
            yield _row(_cells(name, score(group)))
        yield ""
    total = score(fates)
    yield _row(_cells("all", total))
    if total.outside:
        yield f"{total.share_with_outside or 0:.1%} if those outside the document's promises counted too"
    if total.timeouts:
        yield f"{total.timeouts} checks were not done in time"
    survivors = [fate for fate in fates if fate.survived]
    if survivors:
        yield "\nnot detected:"
    for fate in survivors:
        assert fate.trial is not None
        why = "" if fate.trial.outcome == "passed" else f" [{fate.trial.outcome}: {fate.trial.message}]"
        yield f"  {fate.mutant.name}, line {fate.mutant.line}{why}\n    {change(fate.mutant)}"
        if fate.excuse is not None:
            yield f"    a known hole: {fate.excuse.reason}"
    for fate in fates:
        if fate.excuse is not None and fate.trial is not None and fate.trial.detected:
            yield f"\n{fate.mutant.name} is listed as a hole and is detected now: strike it out"


def _cells(name: str, row: Score) -> tuple[str, ...]:
    return (
        name,
        str(row.mutants),
        str(row.equivalent),
        str(row.outside),
        str(row.detected),
        str(row.crashed),
        str(row.hung),
        "-" if row.share is None else f"{row.share:.1%}",
        "-" if row.median_lines is None else f"{row.median_lines:g}",
        "-" if row.most_lines is None else str(row.most_lines),
    )


def _row(cells: Sequence[str]) -> str:
    return f"{cells[0]:12}" + "".join(f"{cell:>11}" for cell in cells[1:])


def as_json(vow: Vow, seed: int, clean: Trial, fates: Sequence[Fate], complete: bool) -> dict[str, Any]:
    """An audit with mutants as JSON.

    ========== =========================================================================================
    key        value
    ========== =========================================================================================
    `mutants`  version of this form, 1
    `document` `name`, `version` and `digest` (8 hex digits) of the document
    `seed`     of instruments and checks
    `complete` whether every trial was made
    `clean`    the trial of the firmware as it is: `outcome` (`passed` is right), `lines`, `seconds`,
               `message`
    `scores`   `all`, `files` and `kinds` by name: see `Score`
    `fates`    every mutant: `name`, `file`, `function`, `kind`, `line`, `before`, `after`; if listed
               `verdict` and `reason`; if tried `detected`, `outcome`, `lines`, `seconds`, `requirement`,
               `purpose`, `message`
    ========== =========================================================================================
    """
    return {
        "mutants": JSON_VERSION,
        "document": dict(zip(("name", "version", "digest"), vow.identity, strict=True)),
        "seed": seed,
        "complete": complete,
        "clean": {key: getattr(clean, key) for key in ("outcome", "lines", "seconds", "message")},
        "scores": {
            "all": asdict(score(fates)),
            "files": {name: asdict(score(group)) for name, group in grouped(fates, "file").items()},
            "kinds": {name: asdict(score(group)) for name, group in grouped(fates, "kind").items()},
        },
        "fates": [_fate(fate) for fate in fates],
    }


def _fate(fate: Fate) -> dict[str, Any]:
    known = ("name", "file", "function", "kind", "line", "before", "after")
    found: dict[str, Any] = {key: getattr(fate.mutant, key) for key in known}
    if fate.excuse is not None:
        found |= {"verdict": fate.excuse.verdict, "reason": fate.excuse.reason}
    if fate.trial is None:
        return found
    told = ("detected", "outcome", "lines", "seconds", "requirement", "purpose", "message")
    return found | {key: getattr(fate.trial, key) for key in told}
