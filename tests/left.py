"""A real Tarn that somebody has worked with, and checks of it that end at a random moment.

Afterwards its settings, what its store holds, its state, guard and notices have to be those that were found,
and the account has to say how often it was saved and booted.
"""

from __future__ import annotations

import itertools
import random
from collections.abc import Collection
from contextlib import suppress
from functools import cache
from pathlib import Path

from tests.stand_in import Tarn, plugged_in
from wirevow.emu.ports.address import find
from wirevow.protocol.conformance import campaign
from wirevow.protocol.conformance.envelope import Envelope, load_envelope
from wirevow.protocol.conformance.hookup import hooked_up
from wirevow.protocol.conformance.session import Session
from wirevow.protocol.document.load import load_document
from wirevow.protocol.document.requirements import requirement_ids
from wirevow.protocol.vow import Vow, compile_vow

PROFILES = {"dry": (), "allowed": ("store", "boot", "switch"), "envelope": ("store=3", "boot")}
"""What is allowed with each."""
ENDS = ("budget", "signal", "defect")
FOUND = (
    "put sink.voltage 10.000 V",
    "put limit.voltage 20.000 V",
    "put sink.level 1.500 A",
    "put limit.current 2.000 A",
    "put swing.high 1.700 A",
    "put swing.low 0.300 A",
    "put sink.mode power",
    "put fan.manual 12.0 %",
    "act trim.begin",
    "put trim.voltage_gain 1.00123",
    "put trim.level_shift 0.0021 A",
    "act trim.end",
)
ENVELOPE = """\
document: tarn
source: {means: A bench supply at 12 V., declared_by: a tester}
most: {volts: 16, amperes: 1, watts: 12, celsius: 60, seconds: 120, coulombs: 60, saves: 3}
"""
QUICK = ("point.trim", "point.limit", "point.sink", "action.settings")
"""Requirements that are looked at without long waits begin so."""
SEVERAL = 40
"""So many others are looked at besides."""


@cache
def vow() -> Vow:
    return compile_vow(load_document(find("tarn")).document)


class End(Exception):
    """Something of ours goes wrong, and ends a check."""


def told(device: Tarn, lines: Collection[str]) -> None:
    """Do these by hand."""
    for line in lines:
        assert b"ok" in device.answer(line.encode()), line


def kept(device: Tarn) -> dict[str, object]:
    """Everything that has to be as it was. An empty store is one with the defaults: that is what it gives."""
    box = device.instrument.device
    stored = {each.name: each.default for each in vow().settings if each.saved} | dict(box.store.settings)
    return {
        "settings": dict(box.settings),
        "store": stored,
        "state": box.state,
        "guard": box.guard,
        "notices": box.notices,
    }


def found_tarn(seed: int, saves: bool) -> Tarn:
    """A Tarn that somebody has worked with and calibrated."""
    draw = random.Random(seed)
    device = Tarn()
    told(device, FOUND)
    if saves:
        told(device, ["act settings.save"])
    told(device, ["put sink.level 0.700 A", f"put sink.slew {draw.randrange(10, 50000)} A/s"])
    return device


def requirements_for(draw: random.Random, quick: bool) -> set[str]:
    """What a check looks at."""
    ids = sorted(requirement_ids(vow().document))
    return {each for each in ids if each.startswith(QUICK)} | (
        set() if quick else set(draw.sample(ids, SEVERAL))
    )


def envelope(folder: Path) -> Envelope:
    path = folder / "envelope.yaml"
    path.write_text(ENVELOPE)
    return load_envelope(path, vow())


def troubles(seed: int, profile: str, folder: Path, *, quick: bool = False) -> list[str]:
    """What is not as it was found after a check that ended at a random moment, and what the user was told."""
    draw = random.Random(f"{profile} {seed}")
    device = found_tarn(seed, saves=draw.random() < 0.5)
    before, store = kept(device), device.instrument.device.store
    saves, boots = store.saves, store.boots
    how, moment = draw.choice(ENDS), draw.randrange(45, 250 if quick else 900)
    only = requirements_for(draw, quick)
    within = envelope(folder) if profile == "envelope" else None
    budget = moment if how == "budget" else None
    with (
        plugged_in(device, folder) as port,
        suppress(KeyboardInterrupt, End),
        hooked_up(vow(), port, seed=seed, envelope=within, budget=budget, allow=PROFILES[profile]) as hookup,
    ):
        if how != "budget":
            _at_line(hookup.tester.session, moment, how)
        campaign.run(hookup.tester, seed=seed, reduce=False, only=only)
    after, done = kept(device), hookup.tester.account.done(hookup.tester.now_ns)
    saves, boots = store.saves - saves, store.boots - boots
    wrong = not (done.saves <= saves <= done.saves + done.saves_unanswered and done.boots == boots)
    return [
        *([f"it was saved {saves} times and booted {boots} times, not {done.text()}"] if wrong else []),
        *(
            f"{what}: {before[what]} before, {after[what]} after"
            for what in before
            if before[what] != after[what]
        ),
        *(f"told: {warning}" for warning in hookup.warnings),
    ]


def _at_line(session: Session, moment: int, how: str) -> None:
    """End the check when so many times something was sent."""
    send, times = session.send, itertools.count(1)

    def counting(data: bytes, pieces: int = 1) -> None:
        if next(times) == moment:
            if how == "defect":
                raise End
            assert session.interrupts is not None
            session.interrupts.noted = 2
        send(data, pieces)

    session.send = counting  # type: ignore[method-assign]
