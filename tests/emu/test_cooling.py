"""What drives the fan, between its levels."""

from __future__ import annotations

from fractions import Fraction

import numpy as np
import pytest
from pydantic import ValidationError

from wirevow.emu.control.cooling import FanCurve
from wirevow.protocol.document.model import Fan

SAID = {
    "means": "In proportion.",
    "temperature": "heat.sink",
    "duty": "fan.duty",
    "tick": "1 s",
    "levels": [{"at": "40", "duty": "0.2"}, {"at": "60", "duty": "0.5"}, {"at": "70", "duty": "1"}],
    "between": "line",
    "hysteresis": "3",
}


def curve_of(fan: Fan) -> FanCurve:
    drives = fan.drives()
    return FanCurve(
        fan.tick,
        tuple(float(drive.at) for drive in drives),
        tuple(float(drive.duty) for drive in drives),
        float(fan.hysteresis),
    )


@pytest.mark.parametrize("way", [1, -1])
def test_in_proportion_it_is_within_a_step_below_the_line(way: int) -> None:
    """Against numpy's interpolation; on the way down the line is three kelvin lower."""
    curve, level = curve_of(Fan.model_validate(SAID)), 0
    for celsius in np.linspace(30.0, 80.0, 1001)[::way].tolist():
        level = curve.level(level, celsius)
        duty = curve.duty[level - 1] if level else 0.0
        at = celsius if way > 0 else celsius + 3.0
        line = float(np.interp(at, [40.0, 60.0, 70.0], [0.2, 0.5, 1.0])) if at >= 40.0 else 0.0
        assert -1e-9 <= line - duty <= 1.0 / 64 + 1e-9


def test_the_levels_themselves_are_kept_and_all_rises() -> None:
    drives = Fan.model_validate(SAID).drives()
    assert {(40, Fraction(1, 5)), (60, Fraction(1, 2)), (70, 1)} <= {*drives}
    assert drives == sorted(drives, key=lambda drive: drive.duty)
    assert len({drive.at for drive in drives}) == len(drives)


def test_in_steps_the_levels_are_all() -> None:
    fan = Fan.model_validate({**SAID, "between": "steps"})
    assert [(each.at, each.duty) for each in fan.drives()] == [
        (40, Fraction(1, 5)),
        (60, Fraction(1, 2)),
        (70, 1),
    ]


def test_a_line_has_two_ends() -> None:
    with pytest.raises(ValidationError, match="a line needs two levels"):
        Fan.model_validate({**SAID, "levels": [{"at": "40", "duty": "1"}]})
