"""Pairs of an old and a new document: whether what `compare` says of them holds in front of instruments.

    python -m tests.pairs [PAIRS [SEED]]

The new document is the old one with one entry changed, or several (`protocol/document/variants.py`). Every
difference for hosts is tried: what breaks has to be noticed by an old host, what is safe never may be, and
what may break has to be noticed where its condition holds and not where it does not. Where all is safe, old
recordings, of an old client that does whatever it lawfully can, are run again on the new instrument besides.
"""

from __future__ import annotations

import random
import sys
import time
import traceback
from collections import Counter
from collections.abc import Callable, Iterator, Sequence
from contextlib import suppress
from dataclasses import dataclass, field, replace
from functools import cache
from itertools import islice
from typing import Any

from wirevow.emu.witness import course, experiment, tried
from wirevow.protocol.compare.changes import changes
from wirevow.protocol.compare.comparison import compare
from wirevow.protocol.compare.uses.way import Telling, Use, ask_whole
from wirevow.protocol.conformance.casefile import Step
from wirevow.protocol.conformance.gate import NotSelected
from wirevow.protocol.conformance.outcome import Doubtful
from wirevow.protocol.conformance.tester import Tester
from wirevow.protocol.document.entries import MISSING, Site, at, replaced, sites
from wirevow.protocol.document.load import DocumentError, Loaded, load_document, read_document
from wirevow.protocol.document.model import Document
from wirevow.protocol.document.variants import OPERATORS, Variant, renamed
from wirevow.protocol.document.vet import vet
from wirevow.protocol.document.writing import text_of
from wirevow.protocol.vow import Vow, compile_vow

DOCUMENTS = ("spec/tarn.yaml", "spec/brae.yaml", "tests/emu/cote.yaml")
PAIRS = 600
SAID_S = 20
"""How often the progress is told."""
SEVERAL = 4
"""Every so many pairs several entries are changed."""
OFF = frozenset({"bench", "plant", "trial", "provoke", "follows", "means", "title"})
"""Parts of which nothing is on the wire: of one kind, so that they are not most of all pairs."""
WORDS = frozenset({"laws", "limits", "promises"})
"""Promises in which no exchange shows anything: of one kind each."""
RECORDINGS = 4
"""Old recordings of each document."""
STEPS = 60
"""Of one recording: things that its host did."""


HIDDEN = "where its condition does not hold, another change of the same pair is noticed"


@dataclass(frozen=True, slots=True)
class Couple:
    """An old and a new document."""

    name: str
    old: Loaded[Document]
    new: Loaded[Document]
    changed: int
    """Entries that were changed."""


@dataclass(slots=True)
class Tally:
    """What came of all pairs."""

    pairs: int = 0
    several: int = 0
    """Pairs with more than one entry changed."""
    graded: Counter[str] = field(default_factory=Counter)
    """Differences for hosts, by grade."""
    agreed: Counter[str] = field(default_factory=Counter)
    """Of those, where the experiment shows what the grade says."""
    not_shown: Counter[str] = field(default_factory=Counter)
    """Those that no exchange shows, by the reason."""
    unseen: list[str] = field(default_factory=list)
    """Those that might show, and that no exchange that was tried does."""
    reruns: int = 0
    """Recordings that were run again on an instrument of which all is safe."""
    against: list[str] = field(default_factory=list)
    """Where grade and experiment disagree, in words."""

    def lines(self) -> Iterator[str]:
        """For people."""
        shown = sum(self.graded.values()) - sum(self.not_shown.values())
        share = sum(self.agreed.values()) / shown if shown else 1.0
        yield (
            f"{self.pairs} pairs of documents ({self.several} of several entries):"
            f" of {shown} differences for hosts that an exchange can show, {sum(self.agreed.values())}"
            f" are as they are graded ({share:.2%})"
        )
        for grade, count in sorted(self.graded.items()):
            yield f"  {grade}: {self.agreed[grade]} of {count}"
        for why, count in self.not_shown.most_common():
            yield f"  not shown, {count}: {why}"
        yield f"  {self.reruns} old recordings run again where all is safe"
        for head, found in (("not seen", self.unseen), ("AGAINST", self.against)):
            yield from (f"  {head}: {line}" for each in found for line in each.splitlines())


# ---------------------------------------------------------------------------------------------- the pairs


def couples(count: int, seed: int = 0, documents: Sequence[str] = DOCUMENTS) -> Iterator[Couple]:
    """So many pairs, the documents by turns, every kind of change before any comes twice."""
    chance = random.Random(seed)
    olds = [load_document(path) for path in documents]
    decks = [_deck(old, chance) for old in olds]
    made = 0
    for turn in range(1000 * count):
        which = turn % len(olds)
        several = made % SEVERAL == SEVERAL - 1
        found = _couple(olds[which], decks[which], chance, several)
        if found is not None:
            made += 1
            yield found
        if made == count:
            return


Draw = Callable[[Any], Iterator[Variant]]
"""A change at one place of a document, whatever else has changed in it."""


def _deck(old: Loaded[Document], chance: random.Random) -> list[Draw]:
    """Places and operators, dealt so that every kind of change comes before any comes again."""
    data = old.source.data
    kinds: dict[tuple[str, ...], list[Draw]] = {}
    for site in sites(data):
        for name in OPERATORS:
            kinds.setdefault((name, *_kind(site)), []).append(_draw(name, site))
    if len(data["points"]) < 40:  # a larger document takes long to be renamed in all places
        kinds["renamed",] = [lambda _, variant=variant: iter((variant,)) for variant in renamed(data)]  # type: ignore[misc]
    for each in kinds.values():
        chance.shuffle(each)
    dealt: list[list[Draw]] = []
    while kinds:
        dealt.append([each.pop() for each in kinds.values()])
        chance.shuffle(dealt[-1])
        kinds = {kind: each for kind, each in kinds.items() if each}
    return [draw for round_ in reversed(dealt) for draw in round_]


def _kind(site: Site) -> tuple[str, ...]:
    """The section and the keys, without names and positions."""
    section, *rest = (str(part) for part in site.path)
    if section in OFF or any(part in OFF for part in rest):
        return ("off the wire",)
    if section in WORDS:
        return (section,)
    keys = rest[1:] if section not in ("vow", "wire", "fan", "derating", "trial", "plant") else rest
    return section, *(key for key in keys if not key.isdecimal() and "." not in key)


def _draw(name: str, site: Site) -> Draw:
    def draw(data: Any) -> Iterator[Variant]:
        try:
            now = at(data, site.path)
        except (KeyError, IndexError, TypeError):
            now = MISSING
        here = replace(site, value=now)
        for other in OPERATORS[name](here, data):
            with suppress(KeyError, IndexError, TypeError):  # what it was in has gone with another change
                changed = replaced(data, site.path, other)
                yield Variant(name, here, 1, f"{_word(now)} -> {_word(other)}"[:80], changed)

    return draw


def _word(value: object) -> str:
    return "nothing" if value is MISSING else str(value)


def _couple(old: Loaded[Document], deck: list[Draw], chance: random.Random, several: bool) -> Couple | None:
    names: list[str] = []
    data = old.source.data
    new: Loaded[Document] | None = None
    while deck and len(names) < (3 if several else 1):
        found = list(islice(deck.pop()(data), 12))
        variant = chance.choice(found) if found else None
        further = None if variant is None else _sound(old, variant)
        if variant is None or further is None or further.document == (new or old).document:
            continue
        names.append(variant.sentence)
        data, new = variant.data, further
    if new is None:
        return None
    entries = sum(1 for _ in changes(old.document, new.document))
    return Couple(f"{old.name}: {'; '.join(names)}", old, new, entries)


def _sound(old: Loaded[Document], variant: Variant) -> Loaded[Document] | None:
    """The variant as a document of the same instrument that vets without errors."""
    try:
        loaded = read_document(text_of(variant.data), "new.yaml")
        return None if vet(loaded).errors or loaded.document.vow.name != old.document.vow.name else loaded
    except DocumentError:
        return None


# ------------------------------------------------------------------------------------------ an old client


def client(seed: int) -> Use:
    """An old host that does whatever it lawfully can, by chance."""

    def use(t: Tester) -> Telling:
        chance = random.Random(seed)
        for _ in range(STEPS):
            try:
                _something(t, chance)
            except (NotSelected, Doubtful):
                t.home()
        return Telling(False)

    return use


def _something(t: Tester, chance: random.Random) -> None:
    match chance.randrange(8):
        case 0 | 1 | 2:
            ask_whole(t, chance.choice(list(t.vow.points)))
        case 3 | 4:
            entry = chance.choice(t.vow.settings)
            if t.settable_here(entry):
                low, high = t.bounds(entry) if entry.scale is not None else (0, 0)
                t.put(
                    entry.name, chance.choice(entry.choices) if entry.choices else chance.randint(low, high)
                )
        case 5:
            here = [action for action in t.vow.actions.values() if t.state in action.to]
            action = chance.choice(here or list(t.vow.actions.values()))
            if ("reboot", "") not in action.does and action.guard is None:
                (t.act if action.takes_ticket is None else t.with_ticket)(action.name)
        case 6:
            t.goto(chance.choice(list(t.vow.states)))
        case 7:
            t.alive(chance.choice((1, 30, 400, 7_000)) * 1_000_000)


@cache
def recordings(path: str) -> tuple[tuple[Vow, tuple[Step, ...]], ...]:
    """What old clients did with an old instrument: all that it answered `ok`."""
    vow = compile_vow(load_document(path).document)
    found = []
    for seed in range(RECORDINGS):
        made = course(vow, client(seed))
        trial = None if made is None else tried(vow, vow, made[0])
        if trial is not None:
            found.append((vow, trial.steps))
    return tuple(found)


# -------------------------------------------------------------------------------------------- the experiment


def judge(couple: Couple, tally: Tally) -> None:
    """Try one pair, and enter what came of it."""
    tally.pairs += 1
    tally.several += couple.changed > 1
    comparison = compare(couple.old, couple.new)
    old, new = compile_vow(couple.old.document), compile_vow(couple.new.document)
    hosts = comparison.of("host")
    for difference in hosts:
        grade = difference.effect.grade
        found = experiment(old, new, difference, thorough=couple.changed == 1)
        tally.graded[grade] += 1
        against = found.against if couple.changed == 1 else []
        if grade == "safe":
            if not against:
                tally.agreed[grade] += 1
        elif grade == "breaks" and not found.shown.differs:
            against = [*against, "no exchange shows it"]
        elif found.shown.not_shown:
            tally.not_shown[found.shown.not_shown.replace(f"of {found.courses} ", "of several ")] += 1
            if found.courses:
                tally.unseen.append(f"{couple.name}\n  {difference.name}: {difference.effect.reason}")
        elif grade == "may break" and not found.shown.holds and couple.changed > 1:
            tally.not_shown[HIDDEN] += 1
        elif grade == "may break" and not found.shown.holds:
            against = [*against, "it is not shown where the condition does not hold"]
        elif not against:
            tally.agreed[grade] += 1
        if against:
            what = f"{grade} {difference.name}: {difference.effect.reason} ({difference.effect.condition})"
            tally.against += [f"{couple.name}\n  {what}\n  {each}" for each in against[:1]]
    if all(difference.effect.grade == "safe" for difference in hosts):
        tally.against += [f"{couple.name}\n  all safe, {each}" for each in _rerun(couple, new, tally)]


def _rerun(couple: Couple, new: Vow, tally: Tally) -> Iterator[str]:
    for old, steps in recordings(couple.old.name):
        trial = tried(old, new, steps)
        if trial is None:
            continue
        tally.reruns += 1
        if trial.split is not None:
            yield f"noticed ({trial.split.how}):\n{trial.text[-600:]}"
            return


def main(count: int = PAIRS, seed: int = 0) -> int:
    begun = last = time.monotonic()
    tally = Tally()
    try:
        for couple in couples(count, seed):
            try:
                judge(couple, tally)
            except Exception as wrong:  # a defect, which the others are worth knowing besides
                tally.against.append(f"{couple.name}\n  {''.join(traceback.format_exception(wrong)[-2:])}")
            if time.monotonic() - last > SAID_S:
                last = time.monotonic()
                print(f"pairs: {tally.pairs} of {count}, {len(tally.against)} against", file=sys.stderr)
    except KeyboardInterrupt:
        print(f"ended early, after {tally.pairs} of {count} pairs", file=sys.stderr)
        return 130
    finally:
        print(*tally.lines(), sep="\n")
        print(f"  ({time.monotonic() - begun:.0f} s)", flush=True)
    return 1 if tally.against else 0


def told(arguments: Sequence[str]) -> int:
    """The figure, from a command line."""
    return main(*(int(word) for word in arguments))


if __name__ == "__main__":
    sys.exit(told(sys.argv[1:]))
