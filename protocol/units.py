"""What one unit on the wire is in the unit that the physics computes in.

Codes are UCUM. Factors to SI coherent units are those of the SI brochure (1 h = 3600 s); temperatures stay
in degrees Celsius and speeds in turns a minute on both sides, because both are read that way in the trade.
The tests hold the factors against the library `pint`.
"""

SI_PER_UNIT: dict[str, float] = {
    "A.h": 3600.0,  # coulomb
    "W.h": 3600.0,  # joule
    "%": 0.01,
    "mV": 1e-3,
    "mA": 1e-3,
    "mOhm": 1e-3,
    "ms": 1e-3,
    "us": 1e-6,
    "min": 60.0,
    "h": 3600.0,
}
"""Every other code counts as 1: it is coherent already, or `Cel`, `/min`."""


def si_per_unit(code: str) -> float:
    """SI units in one unit of the UCUM `code`."""
    return SI_PER_UNIT.get(code, 1.0)
