"""What is declared of a battery is held against its chemistry, and then against its terminals."""

import pytest

from wirevow.protocol.errors import WirevowError
from wirevow.protocol.jobs.battery import CHEMISTRIES, declared, found


@pytest.mark.parametrize(
    ("chemistry", "cells", "cut_off", "says"),
    [
        ("lithium-ion", 3, 2.0, "2 V a cell destroys"),
        ("lead-acid", 6, 1.5, "destroys"),
        ("lithium-ion", 3, 9.0, "for one cell"),
        ("lithium-ion", 0, 3.0, "0 cells"),
        ("unobtainium", 1, 3.0, "declare one of lithium-ion"),
    ],
)
def test_what_its_chemistry_forbids_is_refused(chemistry, cells, cut_off, says):
    with pytest.raises(WirevowError, match=says):
        declared(chemistry, cells, cut_off)


@pytest.mark.parametrize("chemistry", CHEMISTRIES)
def test_the_usual_cut_off_is_taken_and_allowed(chemistry):
    battery = declared(chemistry, 2, None)
    assert battery.lowest == 2 * CHEMISTRIES[chemistry].usual
    found(battery, 2 * CHEMISTRIES[chemistry].nominal, "volts")


@pytest.mark.parametrize(
    ("volts", "says"),
    [
        (-11.9, "connected reversed"),
        (0.05, "no battery"),
        (16.4, "too many for 3"),
        (7.4, "not above the cut-off"),
        (8.3, "there are fewer"),
    ],
)
def test_terminals_that_do_not_agree_are_refused(volts, says):
    with pytest.raises(WirevowError, match=says):
        found(declared("lithium-ion", 3, 2.5), volts, "volts")
