"""Points that keep the highest or lowest value of a reading."""

from __future__ import annotations

from pathlib import Path

import pytest

from wirevow.emu.instrument import Instrument
from wirevow.protocol.document.load import DocumentError, load_document, read_document
from wirevow.protocol.document.vet import vet
from wirevow.protocol.vow import compile_vow

SKERRY = Path(__file__).parents[2] / "spec" / "skerry.yaml"
TEXT = SKERRY.read_text(encoding="utf-8")
SAG = "quantity: voltage, lowest: adapter.voltage, every: 500 ms"


@pytest.mark.parametrize(
    ("old", "new", "code"),
    [
        (SAG, SAG.replace("adapter.voltage", "load.voltage"), "extreme-of"),
        (SAG, SAG.replace("quantity: voltage", "quantity: level_voltage"), "extreme-of"),
        (SAG, SAG.replace("adapter.voltage", "adapter.volt"), "unknown-point"),
        ("{zeroes: [adapter.sag, adapter.peak]}", "{zeroes: [adapter.sag, adapter.current]}", "extreme-of"),
        ("{zeroes: [adapter.sag, adapter.peak]}", "{zeroes: []}", "action-idle"),
        ("when: adapter.voltage > 85", "when: adapter.sag > 85", "extreme-watched"),
    ],
)
def test_what_cannot_be_is_found(old: str, new: str, code: str) -> None:
    assert TEXT.count(old) == 1
    assert code in {each.code for each in vet(read_document(TEXT.replace(old, new))).errors}


@pytest.mark.parametrize(
    ("old", "new", "said"),
    [
        (SAG, SAG.replace(", every: 500 ms", ""), "every go together"),
        (SAG, SAG + ", highest: adapter.voltage", "at most one of signal, derived, highest, lowest"),
        (SAG, SAG + ", access: set, default: 1", "a reading cannot be set"),
    ],
)
def test_what_cannot_be_written_is_one_clear_error(old: str, new: str, said: str) -> None:
    with pytest.raises(DocumentError) as wrong:
        read_document(TEXT.replace(old, new))
    assert said in wrong.value.message


def test_what_lasts_as_long_as_its_period_is_kept_after_hours_of_rest() -> None:
    box = Instrument(compile_vow(load_document(SKERRY).document))
    now_ns = 0

    def passes(seconds: float) -> None:
        nonlocal now_ns
        now_ns += round(seconds * 1e9)
        box.advance(now_ns)

    passes(5 * 3600)
    box.bench("source.voltage", 5.0, now_ns)
    passes(0.55)
    box.bench("source.voltage", 20.0, now_ns)
    passes(5 * 3600)
    box.take()
    box.receive(b"ask adapter.sag\n", now_ns)
    volts = float(box.take().split()[1])
    assert volts == pytest.approx(5.0, abs=0.1)
