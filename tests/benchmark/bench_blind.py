"""What the checker's purposes are worth beside chance.

- `blind_ratio`: lines to the detection of a fault by lines chosen blindly, over the checker's; the median
  over a sample of the catalogue's faults, held out or not. Undetected counts as the budget of 20,000.
- `blind_hands_ratio`: the same beside a blind one that has hands as well.

The blind one sends uniformly chosen requests with values chosen uniformly between the limits in force, half
of them with a wrong byte or bit. With hands, now and then it turns something of the bench, waits, or boots
the instrument. It has the same oracle as the checker, knows the times of the document and the right tickets
and checks, and comes home as the checker does; it only does not aim at anything.
"""

from __future__ import annotations

import random
import statistics
from contextlib import suppress
from pathlib import Path

from wirevow.emu.audit import attempt, vow_at
from wirevow.emu.direct import BUDGET, direct_tester
from wirevow.emu.executor import results
from wirevow.emu.faults import build_instrument, faults_for
from wirevow.protocol.conformance.gate import NotSelected
from wirevow.protocol.conformance.outcome import Broken, Doubtful, NoInstrument, OutOfBudget
from wirevow.protocol.conformance.search.actions import (
    Boot,
    Damage,
    Doer,
    Line,
    Panel,
    Repertoire,
    Say,
    Talk,
    Wait,
    repertoire,
)
from wirevow.protocol.conformance.tester import Tester

BARS = {"blind_ratio": ("at least", 10.0), "blind_hands_ratio": ("at least", 1.0)}

DOCUMENT = Path(__file__).parents[2] / "spec" / "tarn.yaml"
SAMPLE = 32
"""Faults; a minute or two on two idle cores."""
HANDS = 0.1
"""Share of steps that are no request, with hands."""
HOMEWARD = 200
"""Steps between two ways home: a trip that is never cleared would leave little to be seen."""


def wander(given: Repertoire, chance: random.Random, hands: bool) -> Say | Wait | Boot | Panel:
    """One blind step."""
    if hands and chance.random() < HANDS:
        turns = [Wait(chance.choice(given.waits_ns)), Panel(None), Boot(chance.choice(given.boots))]
        return chance.choice([*turns, chance.choice(given.turns)])
    verb = chance.choice(("ask", "put", "act"))
    names = {"ask": given.points, "put": given.settable, "act": given.actions}[verb]
    share = chance.randrange(1000)
    talk = Talk(verb, chance.choice(names), "between", share)  # type: ignore[arg-type]
    damage = None
    if chance.random() < 0.5:
        kind = chance.choice(("change", "flip", "drop", "double", "insert"))
        damage = Damage(kind, chance.randrange(1000), chance.randrange(256))  # type: ignore[arg-type]
    tag, check = chance.choice(("none", "new")), chance.choice(("needed", "right"))
    return Say((Line(talk, tag, check, damage),))  # type: ignore[arg-type]


def blindly(t: Tester, seed: int, hands: bool) -> int:
    """Requests until something is broken; the budget if nothing is."""
    chance = random.Random(seed)
    try:
        t.acquaint()
        given = repertoire(t)
        while True:
            with suppress(Doubtful):
                t.home()
            doer = Doer(t)
            for _ in range(HOMEWARD):
                with suppress(NotSelected, Doubtful):
                    doer.do(wander(given, chance, hands))
            if t.session.begun:
                t.raw(b"\n")
    except (Broken, NoInstrument):
        return t.lines
    except OutOfBudget:
        return BUDGET


def compared(fault: str) -> tuple[float, float]:
    """Lines of the blind one, without hands and with, over those of the checker; 1 if neither sees it."""
    vow = vow_at(str(DOCUMENT))
    checked = attempt(vow, fault, seed=0)
    lines = max(1, checked.lines) if checked.detected else BUDGET

    def share(hands: bool) -> float:
        tester = direct_tester(vow, build_instrument(vow, seed=0, fault=fault))
        return blindly(tester, 0, hands) / lines

    return share(False), share(True)


def measure() -> dict[str, float]:
    names = [fault.name for fault in faults_for(vow_at(str(DOCUMENT)))]
    chosen = sorted(random.Random(0).sample(names, SAMPLE))
    alone, handed = zip(*(ratios for _, ratios in results(compared, chosen)), strict=True)
    return {"blind_ratio": statistics.median(alone), "blind_hands_ratio": statistics.median(handed)}
