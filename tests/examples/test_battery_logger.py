"""The logger's tests. At a real load: pytest --wirevow-port /dev/ttyUSB0, after the cautions."""

import itertools

import pytest
from battery_logger import discharge

pytestmark = pytest.mark.wirevow("tarn", bench="lithium-pack", seed=7)


def test_three_hours_are_logged(wirevow_instrument):
    rows = list(itertools.islice(discharge(wirevow_instrument.client, 1.0, 9.0, every_s=600), 18))
    seconds, volts, charge = rows[-1]
    assert seconds == pytest.approx(3 * 3600, abs=5)
    assert charge == pytest.approx(3.0, rel=0.01)
    assert volts < rows[0][1]


def test_too_much_current_is_refused(wirevow_instrument):
    with wirevow_instrument.assert_refused("range"):
        next(discharge(wirevow_instrument.client, 99.0, 9.0, every_s=1))
