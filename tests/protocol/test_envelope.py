"""Envelope files, and what an envelope means for a document."""

from __future__ import annotations

import re
from fractions import Fraction
from importlib.resources import files

import pytest

from tests.protocol.conformance.instruments import vow_of
from wirevow.protocol.conformance.envelope import Envelope, Reach, load_envelope
from wirevow.protocol.document.load import DocumentError, read_document, read_yaml_model
from wirevow.protocol.vow import Vow, compile_vow

SUPPLY = files("wirevow.spec").joinpath("envelopes/tarn-supply.yaml").read_text()
PACK = """\
document: tarn
source: {means: Three lithium cells in series., declared_by: a tester}
most: {volts: 12.6, amperes: 2, watts: 20, celsius: 55, seconds: 900, coulombs: 1000, saves: 0}
pack: {cells: 3, lowest_volts: 9.6}
"""


def envelope(text: str) -> Envelope:
    return read_yaml_model(text, Envelope, "test.yaml").document


def altered_tarn(*changes: tuple[str, str]) -> Vow:
    text = files("wirevow.spec").joinpath("tarn.yaml").read_text()
    for before, after in changes:
        assert before in text
        text = text.replace(before, after)
    return compile_vow(read_document(text).document)


# -------------------------------------------------------------------------------------------------- the file


def test_the_example_is_an_envelope_for_the_demo_instrument(tmp_path):
    path = tmp_path / "supply.yaml"
    path.write_text(SUPPLY)
    read = load_envelope(path, vow_of("tarn"))
    assert read.most.amperes == 1
    assert read.isolated_by == {"source.connected": "no"}
    assert "1.0 A" in read.text()


def test_the_lowest_voltage_of_a_cell_follows_from_the_pack():
    read = envelope(PACK)
    assert read.pack is not None
    assert read.pack.lowest_cell_volts == Fraction("3.2")
    assert "at least 9.6 V from 3 cells, 3.2 V each" in read.text()


@pytest.mark.parametrize(
    ("before", "after", "line", "said"),
    [
        ("document: tarn", "document: brae", 1, 'this envelope is for "brae", the document is "tarn"'),
        ("volts: 12.6, ", "", 3, "volts"),
        ("volts: 12.6", "volts: 0", 3, "volts"),
        ("volts: 12.6", "volts: plenty", 3, "volts"),
        ("seconds: 900", "seconds: 15", 3, "seconds"),
        ("saves: 0", "saves: -1", 3, "saves"),
        ("saves: 0", "saves: 0, joules: 5", 3, "joules"),
        (", declared_by: a tester", "", 2, "declared_by"),
        ("lowest_volts: 9.6", "lowest_volts: 12.6", 4, "is not below most.volts"),
        ("cells: 3", "cells: 0", 4, "cells"),
        ("pack:", "isolated_by: {no.such: 1}\npack:", 4, 'no bench event "no.such"'),
        ("pack:", "isolated_by: {source.connected: maybe}\npack:", 4, '"maybe" is no choice'),
        ("pack:", "isolated_by: {source.limit: low}\npack:", 4, "source.limit takes a number"),
    ],
)
def test_what_is_wrong_in_it_is_said_with_its_line(before, after, line, said, tmp_path):
    path = tmp_path / "own.yaml"
    path.write_text(PACK.replace(before, after))
    with pytest.raises(DocumentError) as error:
        load_envelope(path, vow_of("tarn"))
    first = error.value.message.splitlines()[0]
    assert first.startswith(f"{path}:{line}: ")
    assert said in first


# ------------------------------------------------------------------------------------ against the document


def test_units_say_what_a_setting_bounds():
    """Tarn's settings in A, W, V, Ohm and Cel, by hand; nothing else is bounded."""
    reach = Reach(vow_of("tarn"), envelope(PACK))
    amperes = ["sink.level", "limit.current", "swing.low", "swing.high"]
    volts = ["sink.voltage", "limit.voltage", "capacity.cutoff"]
    rest = ["sink.power", "limit.power", "sink.resistance", "limit.temperature"]
    assert sorted(reach.settings) == sorted(amperes + volts + rest)
    for name in amperes:
        assert reach.settings[name].holds(Fraction(2))
        assert not reach.settings[name].holds(Fraction("2.001"))
    for name in volts:
        for allowed, value in ((True, "9.6"), (False, "9.599"), (True, "12.6"), (False, "12.601")):
            assert reach.settings[name].holds(Fraction(value)) is allowed
    for name in ("sink.power", "limit.power"):
        assert reach.settings[name].holds(Fraction(20))
        assert not reach.settings[name].holds(Fraction("20.01"))
    # At 12.6 V, 6.3 Ohm draw 2 A, and 7.938 Ohm turn 20 W into heat: the greater one counts.
    assert reach.settings["sink.resistance"].low == Fraction("7.938")
    assert reach.settings["limit.temperature"].high == 55


def test_what_is_read_is_watched_if_the_document_holds_it_against_a_setting():
    reach = Reach(vow_of("tarn"), envelope(PACK))
    assert list(reach.readings) == [
        "input.voltage", "input.terminal", "input.current", "input.power", "heat.sink",
    ]  # fmt: skip
    assert "self.rail" not in reach.readings  # the box's own 5 V are no pack at 5 V


def test_settings_that_energise_leave_room_for_the_error_of_readings():
    """Tarn's current readings: 0.1 % of the reading and 0.05 % of a range of 20 A."""
    reach = Reach(vow_of("tarn"), envelope(PACK))
    assert reach.held["sink.level"].high == 2 - (2 * Fraction("0.001") + 20 * Fraction("0.0005"))


def test_prefixes_of_units_count():
    level = "{unit: A, step: 0.001, low: 0.000, high: 6.000}"
    vow = altered_tarn((level, "{unit: mA, step: 1, low: 0, high: 6000}"))
    reach = Reach(vow, envelope(PACK))
    assert reach.settings["sink.level"].high == 2000
    assert reach.settings["limit.current"].high == 2


def test_settings_with_a_state_of_their_own_stay_at_their_defaults():
    reach = Reach(vow_of("tarn"), envelope(PACK))
    assert {name.split(".")[0] for name in reach.corrections} == {"trim"}
    assert len(reach.corrections) == 6
    assert set(reach.corrections) < set(reach.required)


def test_actions_that_lead_into_a_live_state_energise_wherever_they_start():
    assert Reach(vow_of("tarn"), envelope(PACK)).energising == {
        "sink.start", "capacity.start", "swing.begin", "swing.end",
    }  # fmt: skip


UNSAFE = {
    "no safe action": [
        ("    repeat: safe\n    always: true", "    repeat: safe"),
        ("  safe: sink.stop\n", ""),
    ],
    "falls silent": [
        ("in: [sinking, swinging, discharging]\n    latched: false", "in: [sinking]\n    latched: false"),
    ],
    "host falls silent": [("link.silence > link.patience and ", "link.silence > 5 and ")],
    "as short as 5 s": [("step: 0.1, low: 0.5, high: 60.0", "step: 0.1, low: 5.5, high: 60.0")],
    "no reading of the current": [
        ("{unit: A, step: 0.001, low: -8.000", "{unit: mol, step: 0.001, low: -8.000"),
    ],
}


@pytest.mark.parametrize(("why", "changes"), UNSAFE.items())
def test_a_document_that_cannot_be_made_safe_is_never_energised(why, changes):
    assert Reach(vow_of("tarn"), envelope(PACK)).lacking == ""
    assert why in Reach(altered_tarn(*changes), envelope(PACK)).lacking


def test_an_envelope_smaller_than_the_error_of_readings_leaves_nothing():
    assert (
        "sink.level" in Reach(vow_of("tarn"), envelope(PACK.replace("amperes: 2", "amperes: 0.005"))).lacking
    )


def test_an_instrument_whose_current_cannot_be_read_stays_dry():
    brae = Reach(vow_of("brae"), envelope(re.sub("^document: tarn", "document: brae", PACK)))
    assert brae.live == {"warming", "resting"}
    assert brae.lacking
