"""What one unit on the wire is in the unit that the physics computes in.

Codes are UCUM. Factors to SI coherent units are those of the SI brochure (1 h = 3600 s); temperatures stay
in degrees Celsius and speeds in turns a minute on both sides, because both are read that way in the trade.
The tests hold the factors against the libraries `pint` and `ucumvert`.
"""

_IN_PHYSICS: dict[str, tuple[str, float]] = {
    "A.h": ("C", 3600.0),
    "W.h": ("J", 3600.0),
    "%": ("1", 0.01),
    "mV": ("V", 1e-3),
    "mA": ("A", 1e-3),
    "mOhm": ("Ohm", 1e-3),
    "ms": ("s", 1e-3),
    "us": ("s", 1e-6),
    "min": ("s", 60.0),
    "h": ("s", 3600.0),
}
"""By code: the physics' unit of it, and how many of them it is. Every other code is the physics' own."""


def si_per_unit(code: str) -> float:
    """The physics' units in one unit of the UCUM `code`: SI units, but for `Cel` and `/min`."""
    return _IN_PHYSICS.get(code, (code, 1.0))[1]


def physics_unit(code: str) -> str:
    """The unit that the physics has for the UCUM `code`."""
    return _IN_PHYSICS.get(code, (code, 1.0))[0]


def convertible(code: str, physics: str) -> bool:
    """Whether a value in the UCUM `code` becomes one in the physics' unit by `si_per_unit`."""
    return physics_unit(code) == physics


def units_of(physics: str) -> tuple[str, ...]:
    """The codes that `convertible` allows for one of the physics' units."""
    return (physics, *(code for code, (base, _) in _IN_PHYSICS.items() if base == physics))
