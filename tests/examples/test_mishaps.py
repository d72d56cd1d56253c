"""What the logger makes of mishaps: bench events, faults of the firmware, and waits that never end."""

import pytest
from battery_logger import discharge

import wirevow

pytestmark = pytest.mark.wirevow("tarn", bench="lithium-pack", seed=7)


@pytest.mark.wirevow(clock="virtual")
def test_a_fuse_that_blows_ends_the_log(wirevow_instrument):
    rows = discharge(wirevow_instrument.client, 2.5, 9.0, every_s=60)
    next(rows)
    wirevow_instrument.bench("source.connected", "no")
    assert len(list(rows)) == 1
    wirevow_instrument.assert_state("finished")


@pytest.mark.wirevow(clock="virtual")
def test_heat_trips_it(wirevow_instrument):
    wirevow_instrument.client.sink.level.put(6.0)
    wirevow_instrument.client.sink.start()
    wirevow_instrument.bench("ambient", 80.0)
    wirevow_instrument.assert_trips("overheat", within=1800)


@pytest.mark.wirevow(fault="notice-of-state-missing")
def test_it_ends_without_a_notice_too(wirevow_instrument):
    rows = list(discharge(wirevow_instrument.client, 5.0, 9.0, every_s=1200))
    assert rows[-1][2] == pytest.approx(4.7, abs=0.3)


@pytest.mark.wirevow(clock="virtual")
def test_a_wait_that_nothing_ends_is_an_error(wirevow_instrument):
    with pytest.raises(wirevow.WirevowError, match="never end"):
        next(wirevow_instrument.client.notices(timeout=None))
