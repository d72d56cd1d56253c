"""A real instrument is left as it was found: settings, trims, store, guard and state."""

import random

import pytest

from tests.stand_in import Tarn, plugged_in, read_once
from wirevow.emu.ports.address import find
from wirevow.protocol.conformance import campaign
from wirevow.protocol.conformance.hookup import hooked_up
from wirevow.protocol.conformance.keeping import quiet_ways
from wirevow.protocol.document.load import load_document
from wirevow.protocol.document.requirements import requirements
from wirevow.protocol.vow import compile_vow

VOW = compile_vow(load_document(find("tarn")).document)
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

QUICK = {
    each.id
    for each in requirements(VOW.document)
    if each.id.startswith(("point.trim", "point.limit", "point.sink", "action.settings"))
}
"""Requirements that are looked at without long waits."""


@pytest.fixture(autouse=True, scope="module")
def _read_once():
    with read_once():
        yield


class End(Exception):
    """Something ends a check."""


def told(device, lines):
    for line in lines:
        assert b"ok" in device.answer(line.encode()), line


def kept(device):
    """Everything that has to be as it was. An empty store is one with the defaults: that is what it gives."""
    box = device.instrument.device
    stored = {each.name: each.default for each in VOW.settings if each.saved} | dict(box.store.settings)
    return dict(box.settings), stored, box.state, box.guard, box.notices


def found_tarn(seed, saves):
    """A Tarn that somebody has worked with and calibrated."""
    draw = random.Random(seed)
    device = Tarn()
    told(device, FOUND)
    if saves:
        told(device, ["act settings.save"])
    told(device, ["put sink.level 0.700 A", f"put sink.slew {draw.randrange(10, 50000)} A/s"])
    return device


@pytest.mark.parametrize("seed", range(3))
def test_a_check_that_ends_at_any_moment_leaves_everything_as_it_found_it(seed, tmp_path):
    draw = random.Random(seed)
    device = found_tarn(seed, saves=seed % 2 == 0)
    before = kept(device)
    with plugged_in(device, tmp_path) as port:
        if seed % 3:
            moment = draw.randrange(45, 250)

            def ended(tarn, line):
                if len(tarn.lines) == moment:
                    hookup.tester.session.interrupts.noted = 2
                return None

            device._before = ended
            with pytest.raises(KeyboardInterrupt), hooked_up(VOW, port, seed=seed) as hookup:
                campaign.run(hookup.tester, seed=seed, reduce=False, only=QUICK)
        else:
            with hooked_up(VOW, port, seed=seed, budget=draw.randrange(45, 250)) as hookup:
                campaign.run(hookup.tester, seed=seed, reduce=False, only=QUICK)
    assert hookup.warnings == []
    assert kept(device) == before


def test_a_save_during_a_check_is_undone(tmp_path):
    device = found_tarn(1, saves=True)
    before = kept(device)
    with plugged_in(device, tmp_path) as port, hooked_up(VOW, port) as hookup:
        hookup.tester.acquaint()
        told(device, ["act settings.save"])
        assert device.instrument.device.store.settings != before[1]
    assert hookup.warnings == []
    assert kept(device) == before


def test_what_cannot_be_put_back_is_told_with_what_to_type(tmp_path):
    device = found_tarn(2, saves=True)
    with plugged_in(device, tmp_path) as port, hooked_up(VOW, port) as hookup:
        hookup.tester.acquaint()

        def stubborn(tarn, line):
            return line.split()[0] + b" refuse state off\n" if b"act trim.begin" in line else None

        device._before = stubborn
        told(device, ["act settings.defaults", "act settings.save"])
    text = " ".join(hookup.warnings)
    assert "trim.voltage_gain 1.00123 (now 1.00000)" in text
    assert "act trim.begin; put trim.voltage_gain 1.00123" in text
    assert "put trim.level_shift 0.0021 A; act sink.stop" in text
    assert "the saved settings are not those that were found" in text


def test_no_way_to_a_setting_energises_or_closes_the_relay():
    ways = quiet_ways(VOW, "off")
    assert set(ways) == {"off", "trimming"}
    assert [each.name for each in ways["trimming"]] == ["trim.begin"]
