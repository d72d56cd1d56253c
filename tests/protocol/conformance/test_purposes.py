"""Purposes, one by one, show what is broken, and pass by what is not."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import pytest

from tests.protocol.conformance.instruments import SPEC, hands_on, try_purpose, vow_of
from wirevow.emu.direct import direct_tester
from wirevow.emu.instrument import Instrument
from wirevow.protocol.conformance.outcome import Broken
from wirevow.protocol.conformance.purposes import PURPOSES, TOUR
from wirevow.protocol.conformance.purposes.tour import ORDER
from wirevow.protocol.document.load import load_document
from wirevow.protocol.vow import compile_vow

SHOWS = [
    ("begins_no_faster", "law.current_slews.rate", "rate-not-at-the-start", "tarn"),
    ("changes_no_faster", "law.current_slews.rate", "rate-in-whole-thousands", "tarn"),
    ("derived", "point.room.lack.derived", "derived-not-below-zero", "brae"),
    ("fires", "trip.overheat.fires", "derived-not-below-zero", "tarn"),
    ("fires", "trip.sensor.fires", "watchdog-opens-latch", "brae"),
    ("fires_in_any_session", "trip.sensor.fires", "trips-wait-for-transmitter", "brae"),
    ("law", "law.elapsed_is_time", "elapsed-waits-for-level", "tarn"),
    ("counted_anew", "action.capacity.start.effect", "done-counts-on-when-begun-again", "tarn"),
    ("stand_at_rest", "law.elapsed_is_time", "elapsed-runs-on-at-rest", "tarn"),
    ("related_when_corrected", "law.rail_stands", "power-before-trims", "tarn"),
    ("no_faster_from_elsewhere", "law.rail_stands", "rate-lost-after-alternation", "tarn"),
    ("there_in_time", "point.input.voltage.fresh", "reading-averaged-over-eight", "tarn"),
    ("drives_no_more", "point.fan.manual.default", "defaults-of-unsaved-unheeded", "tarn"),
    ("ticket_through", "wire.ticket", "ticket-age-in-whole-seconds", "tarn"),
    ("set_in", "point.trim.voltage_gain.set_in", "lock-open-after-stop", "tarn"),
    ("saved", "point.sink.level.saved", "save-leaves-out-the-panel", "tarn"),
    ("check_where_it_works", "wire.check", "check-not-compared-in-operation", "tarn"),
    ("check_where_it_works", "wire.check", "check-not-compared-in-operation", "brae"),
    ("fires", "trip.reversed_input.fires", "clear-forgets-last", "tarn"),
    ("brings_back_all", "action.settings.recall.effect", "recall-held-in-present-limits", "tarn"),
    ("settles", "law.current_follows_level.settling", "level-zeroed-by-stop", "tarn"),
]


def work(name: str, about: str, document: str, fault: str | None = None) -> None:
    hands = hands_on(document, fault=fault)
    hands.acquaint()
    try_purpose(hands, name, about)


@pytest.mark.parametrize(("name", "about", "fault", "document"), SHOWS)
def test_it_shows_what_is_broken(name: str, about: str, fault: str, document: str) -> None:
    work(name, about, document)
    with pytest.raises(Broken):
        work(name, about, document, fault)


OTHER_TABLES = [
    (
        "settled_everywhere",
        "state.tripped.reachable",
        "    quantity: cells\n    access: set\n",
        '    quantity: cells\n    access: set\n    set_in: ["off", armed, sinking, swinging]\n',
    ),
    (
        "not_left_in_time",
        "state.tripped.reachable",
        'outputs: {relay: open, stage: "off"}\n\nactions:',
        'outputs: {relay: open, stage: "off"}\n    leaves: [{after: 9 min, to: "off"}]\n\nactions:',
    ),
    (
        "record_layout",
        "record.image.layout",
        "{name: sense, type: u8, from: sense.mode}",
        "{name: sense, type: u8, from: swing.hold}",
    ),
]
"""A purpose, what it is about, and an entry of the document that the instrument's tables have otherwise."""


@pytest.mark.parametrize(("name", "about", "entry", "other"), OTHER_TABLES)
def test_it_shows_tables_that_differ_in_one_entry(
    tmp_path: Path, name: str, about: str, entry: str, other: str
) -> None:
    work(name, about, "tarn")
    text = (SPEC / "tarn.yaml").read_text(encoding="utf-8")
    assert text.count(entry) == 1
    (tmp_path / "other.yaml").write_text(text.replace(entry, other), encoding="utf-8")
    honest = vow_of("tarn")
    tables = compile_vow(load_document(tmp_path / "other.yaml").document)
    instrument = Instrument(replace(tables, identity=honest.identity), seed=0)
    hands = direct_tester(honest, instrument, seed=0)
    hands.acquaint()
    with pytest.raises(Broken):
        try_purpose(hands, name, about)


def test_what_is_lost_is_accused_itself_though_a_record_shows_it() -> None:
    """The checker looks at many settings in a record, and asks one by one when that is wrong."""
    lost_one = "point.sink.mode.saved"
    hands = hands_on("tarn", "save-beside-writes-trims-only")
    hands.acquaint()
    with pytest.raises(Broken) as lost:
        try_purpose(hands, "saved", lost_one)
    assert lost.value.judgement.requirement == lost_one
    asked = [entry.data for entry in hands.session.journal if entry.kind == "send" and b"ask " in entry.data]
    assert any(b"ask settings.part" in line for line in asked)


def test_every_purpose_of_the_tour_has_its_place_in_it() -> None:
    assert {each.work for each in PURPOSES if each.rank == TOUR} == set(ORDER)
    assert len(set(ORDER)) == len(ORDER)
