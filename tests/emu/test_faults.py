"""The catalogue of named faults: each of them breaks something that can be seen on the wire."""

from __future__ import annotations

from fnmatch import fnmatchcase
from functools import cache
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from tests.emu.exchanges import lines_of, play, read_exchanges
from wirevow.emu.faults import build_instrument, fault_named, faults_for
from wirevow.emu.faults.catalogue import FAULTS, KINDS
from wirevow.emu.faults.lines import ByteFramer
from wirevow.emu.instrument import Instrument
from wirevow.protocol.device import Device
from wirevow.protocol.document.load import load_document
from wirevow.protocol.document.requirements import requirement_ids
from wirevow.protocol.errors import WirevowError
from wirevow.protocol.framing import Framer
from wirevow.protocol.vow import Vow, compile_vow

SPEC = Path(__file__).parents[2] / "spec"
TARN = read_exchanges(Path(__file__).with_name("exchanges.txt"))
BRAE = read_exchanges(Path(__file__).with_name("exchanges_brae.txt"))
SKERRY = read_exchanges(Path(__file__).with_name("exchanges_skerry.txt"))
"""Of the faults that a Tarn cannot have."""
EXCHANGES = {**TARN, **SKERRY}

OPEN = {"ticket-same-after-boot"}
"""Faults whose first difference is one that the document leaves open: which ticket is given out."""


@cache
def vow_of(name: str) -> Vow:
    return compile_vow(load_document(SPEC / f"{name}.yaml").document)


def document_of(fault: str) -> str:
    """The document in which the fault has something to break."""
    return "tarn" if fault in TARN else "skerry"


def ready(fault: str | None, name: str = "tarn") -> Instrument:
    """An instrument a little after it began to listen; the notice of its boot has been read."""
    vow = vow_of(name)
    instrument = build_instrument(vow, seed=5, fault=fault)
    instrument.advance(vow.document.wire.opening.settle + 100_000_000)
    instrument.take()
    return instrument


@pytest.mark.parametrize("name", FAULTS)
def test_a_fault_is_seen_in_its_exchange_and_not_before(name: str) -> None:
    steps = EXCHANGES[name]
    document = document_of(name)
    good = [answer for _, answer in play(ready(None, document), steps)]
    bad = [answer for _, answer in play(ready(name, document), steps)]
    different = [index for index, pair in enumerate(zip(good, bad, strict=True)) if pair[0] != pair[1]]
    assert different, f"{name} does not show"
    # A shorter exchange would do if it showed before the last line.
    assert name in OPEN or lines_of(steps[: different[0] + 1]) == lines_of(steps)


@pytest.mark.parametrize("name", BRAE)
def test_a_fault_finds_what_to_break_in_another_document(name: str) -> None:
    good = [answer for _, answer in play(ready(None, "brae"), BRAE[name])]
    bad = [answer for _, answer in play(ready(name, "brae"), BRAE[name])]
    assert good != bad, f"{name} does not show"
    assert good[:-1] == bad[:-1] or len(good) < 2, f"{name} shows earlier"


@pytest.mark.parametrize("name", FAULTS)
def test_what_is_said_of_a_fault_is_true(name: str) -> None:
    fault = FAULTS[name]
    ids = requirement_ids(vow_of(document_of(name)).document)
    for pattern in fault.breaks:
        assert any(fnmatchcase(each, pattern) for each in ids), f"no requirement is like {pattern}"


def test_every_exchange_belongs_to_a_fault() -> None:
    assert set(EXCHANGES) == set(FAULTS)
    tarn = {fault.name for fault in faults_for(vow_of("tarn"))}
    assert tarn == set(TARN)


def test_names_and_sentences_are_unique() -> None:
    faults = [fault for kind in KINDS for fault in kind.faults]
    assert len({fault.name for fault in faults}) == len(faults)
    assert len({fault.means for fault in faults}) == len(faults)
    assert all(fault.means.endswith(".") for fault in faults)


def test_the_last_faults_of_each_kind_are_held_out() -> None:
    for kind in KINDS:
        held_out = [fault.holdout for fault in kind.faults]
        seen = len(kind.faults) if kind.seen is None else kind.seen
        assert held_out == [False] * seen + [True] * (len(kind.faults) - seen)
    assert sum(fault.holdout for fault in FAULTS.values()) >= 10


@pytest.mark.parametrize("name", ["tarn", "brae", "skerry"])
def test_a_faulty_instrument_claims_the_honest_identity_and_boots(name: str) -> None:
    vow = vow_of(name)
    for fault in faults_for(vow):
        instrument = build_instrument(vow, fault=fault.name)
        assert (instrument.vow.identity == vow.identity) == ("wire.identity" not in fault.breaks)


def test_without_a_fault_nothing_is_in_the_way() -> None:
    instrument = build_instrument(vow_of("tarn"))
    assert type(instrument) is Instrument
    assert type(instrument.device) is Device


def test_an_unknown_name_is_an_error_with_names_like_it() -> None:
    with pytest.raises(WirevowError, match="did you mean return-kept"):
        fault_named("returns-kept")
    with pytest.raises(WirevowError, match=r"did you mean [a-z0-9-]+, [a-z0-9-]+, [a-z0-9-]+\?"):
        build_instrument(vow_of("tarn"), fault="??")


def test_a_fault_with_nothing_to_break_is_an_error() -> None:
    with pytest.raises(WirevowError, match="has nothing to break in brae"):
        build_instrument(vow_of("brae"), fault="burst-third-lost")


PIECES = st.sampled_from([b"a", b"ask self.state", b"\r", b"\n", b"\r\n", b"\xff", b"x" * 30])


@given(st.lists(st.tuples(PIECES, st.integers(0, 9)), max_size=20))
def test_the_byte_wise_framer_is_the_framer(pieces: list[tuple[bytes, int]]) -> None:
    """The faults of the framing stand on a framer of their own: without a fault it must be no fault."""
    fast, slow = Framer(40, 5), ByteFramer(40, 5)
    now_ns = 0
    for data, gap_ns in pieces:
        now_ns += gap_ns
        assert slow.feed(data, now_ns) == fast.feed(data, now_ns)
