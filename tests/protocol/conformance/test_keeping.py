"""A real instrument is left as it was found: settings, trims, store, guard and state."""

import time

import pytest

from tests.left import PROFILES, found_tarn, kept, told, troubles, vow
from tests.stand_in import plugged_in, read_once
from wirevow.protocol.conformance.hookup import hooked_up
from wirevow.protocol.conformance.keeping import quiet_ways

VOW = vow()


@pytest.fixture(autouse=True, scope="module")
def _read_once():
    with read_once():
        yield


@pytest.mark.parametrize("seed", range(3))
@pytest.mark.parametrize("profile", PROFILES)
def test_a_check_that_ends_at_any_moment_leaves_everything_as_it_found_it(profile, seed, tmp_path):
    """More in the campaign."""
    assert troubles(seed, profile, tmp_path, quick=True) == []


def test_a_save_during_a_check_is_undone(tmp_path):
    device = found_tarn(1, saves=True)
    before = kept(device)
    with plugged_in(device, tmp_path) as port, hooked_up(VOW, port, allow=["store"]) as hookup:
        hookup.tester.acquaint()
        told(device, ["act settings.save"])
        assert device.instrument.device.store.settings != before["store"]
    assert hookup.warnings == []
    assert kept(device) == before


def test_counters_that_were_zeroed_are_told_with_what_they_held(tmp_path):
    device = found_tarn(1, saves=True)
    ticket = device.answer(b"act sink.arm").split()[-1].decode()
    told(device, [f"act capacity.start {ticket}"])
    time.sleep(0.3)
    told(device, ["act sink.stop"])
    held = device.answer(b"ask capacity.elapsed").decode().removeprefix("ok ").strip()
    assert not held.startswith("0.0 ")
    with plugged_in(device, tmp_path) as port, hooked_up(VOW, port) as hookup:
        hookup.tester.acquaint()
        told(device, ["act capacity.zero"])
    (warning,) = hookup.warnings
    assert warning.startswith("what these counters held is lost: ")
    assert f"capacity.elapsed {held} (now 0.0 s)" in warning


def test_a_state_that_is_not_the_one_it_was_found_in_is_told(tmp_path):
    device = found_tarn(1, saves=True)
    with plugged_in(device, tmp_path) as port, hooked_up(VOW, port) as hookup:
        hookup.tester.acquaint()
        device._before = lambda tarn, line: line.split()[0] + b" ok\n" if b"act sink.stop" in line else None
        told(device, ["act trim.begin"])
    assert "its state was off when it was found, and is trimming now" in hookup.warnings


@pytest.mark.parametrize("deaf", [b"act sink.stop", b""])
def test_what_was_found_is_told_though_the_instrument_does_not_answer_any_more(deaf, tmp_path):
    device = found_tarn(1, saves=True)
    with plugged_in(device, tmp_path) as port, hooked_up(VOW, port) as hookup:
        hookup.tester.acquaint()
        device._before = lambda tarn, line: b"" if deaf in line else None
    alarm, found = hookup.warnings
    assert "THE INSTRUMENT MAY STILL BE HANDLING POWER" in alarm
    assert found.startswith("nothing that was changed could be put back. By hand: ")
    for words in (
        "put sink.mode power",
        "put limit.current 2.000 A",
        "put sink.level 0.700 A",
        "act trim.begin",
    ):
        assert words in found


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
