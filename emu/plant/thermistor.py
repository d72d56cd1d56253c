"""Thermistor laws and the divider that turns resistance into voltage.

B-parameter form: IEC 60539-1. Three-coefficient form: Steinhart and Hart, Deep-Sea Research 15 (1968) 497.
"""

from __future__ import annotations

import math

from wirevow.emu.plant.sink_section import BetaLaw, Sensor, SteinhartHartLaw

ZERO_CELSIUS = 273.15
_T25 = 298.15


def resistance_ohm(law: BetaLaw | SteinhartHartLaw, celsius: float) -> float:
    """Resistance at a temperature."""
    kelvin = max(celsius + ZERO_CELSIUS, 1.0)
    if isinstance(law, BetaLaw):
        return law.r25_ohm * math.exp(min(law.b_kelvin * (1.0 / kelvin - 1.0 / _T25), 500.0))
    # The real root of c x^3 + b x + (a - 1/T) = 0, x = ln R, by the hyperbolic form of Cardano's formula.
    half_q = (law.a - 1.0 / kelvin) / (2.0 * law.c)
    third_p = law.b / (3.0 * law.c)
    root = math.sqrt(third_p)
    return math.exp(-2.0 * root * math.sinh(math.asinh(half_q / (root * third_p)) / 3.0))


def celsius(law: BetaLaw | SteinhartHartLaw, ohm: float) -> float:
    """Temperature at a resistance (> 0)."""
    log = math.log(ohm)
    if isinstance(law, BetaLaw):
        return 1.0 / (1.0 / _T25 + (log - math.log(law.r25_ohm)) / law.b_kelvin) - ZERO_CELSIUS
    return 1.0 / (law.a + log * (law.b + law.c * log * log)) - ZERO_CELSIUS


def divider_volt(thermistor: Sensor, rail_volt: float, condition: str | float, bead_celsius: float) -> float:
    """Voltage at the divider; `condition` is good, open, shorted, or the voltage that drives it."""
    if isinstance(condition, float):
        return condition
    if condition == "open":
        return rail_volt
    if condition == "shorted":
        return 0.0
    ohm = resistance_ohm(thermistor.law, bead_celsius)
    return rail_volt * ohm / (ohm + thermistor.divider_ohm)


def deduced_celsius(thermistor: Sensor, rail_volt: float, volt: float) -> float:
    """What the firmware makes of the divider's voltage, kept between the lowest and highest it reports."""
    if volt >= rail_volt:
        return thermistor.lowest_celsius
    if volt <= 0.0:
        return thermistor.highest_celsius
    value = celsius(thermistor.law, thermistor.divider_ohm * volt / (rail_volt - volt))
    return min(max(value, thermistor.lowest_celsius), thermistor.highest_celsius)


def told_celsius(thermistor: Sensor, rail_volt: float, condition: str | float, bead_celsius: float) -> float:
    """What the firmware makes of the thermistor in this condition (as above), its bead so warm."""
    if isinstance(condition, float):
        return deduced_celsius(thermistor, rail_volt, condition)
    low, high = thermistor.lowest_celsius, thermistor.highest_celsius
    if condition == "good":
        return min(max(bead_celsius, low), high)
    return low if condition == "open" else high
