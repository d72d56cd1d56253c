"""What an experiment shows of each difference: an old host in front of the old and of the new instrument.

One driver for every kind of difference. The ways of using what has changed come from a table
(`wirevow.protocol.compare.uses`). Each is worked on the old instrument, which makes it a course of steps that
is answered `ok` throughout; then the new instrument goes through the same course, and where it first says
something that means something else, the difference is seen. The shortest course that shows it is the witness.
"""

from __future__ import annotations

import re
from collections.abc import Iterator, Sequence
from contextlib import suppress
from dataclasses import dataclass, field

from wirevow.emu.beside import Came, Split, exchange, lawful, settled_ns, split, went
from wirevow.emu.direct import direct_tester
from wirevow.emu.faults import build_instrument
from wirevow.protocol.compare.comparison import Difference
from wirevow.protocol.compare.rules import BREAKS, MAY, SAFE, Pair
from wirevow.protocol.compare.shown import Shown
from wirevow.protocol.compare.uses import unshown, uses
from wirevow.protocol.compare.uses.way import Question, Telling, Use
from wirevow.protocol.conformance.casefile import Step, doings, steps_of
from wirevow.protocol.conformance.gate import NotSelected
from wirevow.protocol.conformance.outcome import Broken, Doubtful, NoInstrument, OutOfBudget
from wirevow.protocol.document.model import duration_ns, duration_text
from wirevow.protocol.errors import WirevowError
from wirevow.protocol.vow import Vow

_CHECK = re.compile(r" ~[0-9A-F]{4}$")
MOST_LINES = 2000
"""That one use may take."""
_IMPOSSIBLE = (NotSelected, Doubtful, Broken, NoInstrument, OutOfBudget, KeyError, StopIteration, ValueError)
"""Why a use cannot be worked in this document."""


@dataclass(frozen=True, slots=True)
class Trial:
    """One course that both instruments went through."""

    steps: tuple[Step, ...]
    old: list[Came]
    new: list[Came]
    split: Split | None

    @property
    def text(self) -> str:
        """For people."""
        return exchange(self.steps, self.old, self.new, None if self.split is None else self.split.at)


@dataclass(slots=True)
class Experiment:
    """What came of trying one difference."""

    shown: Shown = field(default=Shown())
    courses: int = 0
    """Lawful ones that were tried."""
    against: list[str] = field(default_factory=list)
    """What speaks against the grade, in words, each with its exchange."""


def experiment(old: Vow, new: Vow, difference: Difference, *, thorough: bool = False) -> Experiment:
    """Try a difference for hosts. `thorough`: work every use, and look for what speaks against the grade."""
    effect = difference.effect
    found = Experiment()
    why = unshown(difference.change)
    if why:
        found.shown = Shown(not_shown=why)
        return found
    question = Question(Pair(old.document, new.document), difference.change, old, new)
    differs: Trial | None = None
    holds: Trial | None = None
    for trial, meets in _trials(question, effect.part):
        found.courses += 1
        if trial.split is not None:
            if effect.grade == SAFE or (effect.grade == MAY and meets is False):
                found.against.append(f"it is noticed ({trial.split.how}):\n{trial.text}")
            elif differs is None or len(trial.steps) < len(differs.steps):
                differs = trial
        else:
            if (effect.grade == MAY and meets) or (effect.grade == BREAKS and meets is not None):
                found.against.append(f"it is not noticed:\n{trial.text}")
            if holds is None and meets is not True:
                holds = trial
        done = differs is not None and (holds is not None or effect.grade == BREAKS)
        if (done and not thorough) or (effect.grade == SAFE and not thorough):
            break
    none = f"none of {found.courses} exchanges that use it shows it"
    if not found.courses:
        none = "no use of it can be tried in the old document"
    found.shown = Shown(
        "" if differs is None else shortest(old, new, differs).text,
        "" if holds is None or effect.grade != MAY else holds.text,
        "" if differs is not None or effect.grade == SAFE else none,
    )
    return found


def _trials(question: Question, part: str) -> Iterator[tuple[Trial, bool | None]]:
    seen: set[tuple[Step, ...]] = set()
    for use in uses(question):
        made = course(question.old, use)
        if made is None or (part and made[1].part and made[1].part != part):
            continue
        trial = tried(question.old, question.new, made[0])
        if trial is not None and trial.steps not in seen and _uses(question, trial):
            seen.add(trial.steps)
            yield trial, made[1].meets


def _uses(question: Question, trial: Trial) -> bool:
    """Whether the action that is asked about is still in it, when what the old one refused is left out."""
    if question.change.section != "actions":
        return True
    line = f"act {question.change.element}"
    return any(step.kind == ">" and f"{step.text} ".startswith(f"{line} ") for step in trial.steps)


def course(old: Vow, use: Use) -> tuple[tuple[Step, ...], Telling] | None:
    """A use worked on the old instrument, as steps; None if it cannot be worked."""
    try:
        tester = direct_tester(old, build_instrument(old), budget=MOST_LINES)
        tester.session.discard()  # what it said as it booted; all else is as it was made
        begun = len(tester.session.journal)
        telling = use(tester)
    except _IMPOSSIBLE:
        return None
    steps = doings(steps_of(tester.session.journal[begun:], old))
    return _plain((*steps, *telling.then)), telling


def _plain(steps: Sequence[Step]) -> tuple[Step, ...]:
    """Without tags, which mean nothing here, and with checks that hold without them."""
    found: list[Step] = []
    for step in steps:
        if step.kind == ">" and step.text.startswith("@"):
            step = Step(">", _CHECK.sub(" ~{check}", step.text.partition(" ")[2]))
        found.append(step)
    return tuple(found)


def _joined(steps: Sequence[Step]) -> tuple[Step, ...]:
    """With waits that follow each other in one, but for the last step."""
    found: list[Step] = []
    for step in steps[:-1]:
        if step.kind == "wait" and found and found[-1].kind == "wait":
            whole_ns = duration_ns(found[-1].text) + duration_ns(step.text)
            with suppress(ValueError):
                duration_ns(duration_text(whole_ns))
                found[-1] = Step("wait", duration_text(whole_ns))
                continue
        found.append(step)
    return (*found, *steps[-1:])


def tried(old: Vow, new: Vow, steps: Sequence[Step]) -> Trial | None:
    """Both instruments through the course, without the lines that the old one refuses; None if that leaves
    none that a lawful host would send, or the new document does not run on the physics of the old."""
    steps = tuple(steps)
    start_ns = settled_ns(old, new)
    before = went(old, old, steps, start_ns)
    while not lawful(steps, before):
        steps = tuple(step for step, came in zip(steps, before, strict=True) if step.kind != ">" or came.ok)
        before = went(old, old, steps, start_ns)
    try:
        return _beside(old, new, steps, before) if steps else None
    except WirevowError:
        return None


def _beside(old: Vow, new: Vow, steps: tuple[Step, ...], before: list[Came]) -> Trial:
    """The new instrument through the course that the old one went through before."""
    after = went(new, old, steps, settled_ns(old, new))
    return Trial(steps, before, after, split(old, steps, before, after))


def shortest(old: Vow, new: Vow, trial: Trial) -> Trial:
    """The same difference in fewer steps: as many as can be left out are, from the longest run of them on."""
    assert trial.split is not None
    best = _cut(trial)
    best = _again(old, new, _joined(best.steps)) or best
    size = len(best.steps) - 1
    while size >= 1:
        end = len(best.steps) - 1
        while end > 0:
            begin = max(0, end - size)
            shorter = _again(old, new, best.steps[:begin] + best.steps[end:])
            if shorter is not None:
                best = shorter
                end = min(begin, len(best.steps) - 1)
            else:
                end = begin
        size //= 2
    return _again(old, new, _joined(best.steps)) or best


def _cut(trial: Trial) -> Trial:
    assert trial.split is not None
    end = trial.split.at + 1
    return Trial(trial.steps[:end], trial.old[:end], trial.new[:end], trial.split)


def _again(old: Vow, new: Vow, steps: tuple[Step, ...]) -> Trial | None:
    """A course that shows the difference in its last step; None if this one does not."""
    before = went(old, old, steps, settled_ns(old, new))
    if not lawful(steps, before):
        return None
    trial = _beside(old, new, steps, before)
    return trial if trial.split is not None and trial.split.at == len(steps) - 1 else None
