"""A battery as the person declares it, and what its chemistry allows.

The figures are bounds of sense for one cell, not a maker's limits: common practice, no source. The
end-of-discharge voltage is the maker's to say; what is refused here is one that no maker of the chemistry
allows.
"""

from __future__ import annotations

from dataclasses import dataclass

from wirevow.protocol.errors import WirevowError


@dataclass(frozen=True, slots=True)
class Chemistry:
    """Volts of one cell."""

    means: str
    floor: float
    """Lowest end of discharge, under load."""
    usual: float
    """The end of discharge that is usual at 0.2 times the rated capacity."""
    nominal: float
    highest: float
    """At rest, fully charged, with a margin for a surface charge."""


CHEMISTRIES = {
    "lithium-ion": Chemistry("lithium cobalt, manganese, nickel: 4.2 V cells", 2.50, 3.00, 3.65, 4.25),
    "lithium-high": Chemistry("lithium cells charged to 4.35 V or 4.4 V", 2.50, 3.00, 3.80, 4.45),
    "lithium-iron": Chemistry("lithium iron phosphate", 2.00, 2.50, 3.20, 3.70),
    "lithium-titanate": Chemistry("lithium titanate", 1.50, 1.80, 2.30, 2.85),
    "lead-acid": Chemistry("lead-acid, flooded or sealed", 1.60, 1.75, 2.00, 2.45),
    "nickel-metal": Chemistry("nickel-metal hydride", 0.90, 1.00, 1.20, 1.60),
    "nickel-cadmium": Chemistry("nickel-cadmium", 0.90, 1.00, 1.20, 1.60),
    "alkaline": Chemistry("alkaline manganese, not rechargeable", 0.80, 0.90, 1.50, 1.68),
}
"""By name, as it is declared."""


@dataclass(frozen=True, slots=True)
class Battery:
    """What a person declares. Two terminals cannot see how many cells there are, or a weak one."""

    chemistry: str
    cells: int
    """In series."""
    cut_off: float
    """Volts for each cell, under load."""
    rated_ah: float | None = None
    """Rated capacity in A.h, of the whole battery."""

    @property
    def kind(self) -> Chemistry:
        return CHEMISTRIES[self.chemistry]

    @property
    def lowest(self) -> float:
        """Cut-off at the terminals, V."""
        return self.cells * self.cut_off

    @property
    def highest(self) -> float:
        """Most volts it can have at rest."""
        return self.cells * self.kind.highest


def declared(chemistry: str, cells: int, cut_off: float | None, rated_ah: float | None = None) -> Battery:
    """The battery, if what is said about it agrees. `cut_off` is volts a cell; None is the chemistry's
    usual one.

    Raises WirevowError.
    """
    kind = CHEMISTRIES.get(chemistry)
    if kind is None:
        raise WirevowError(
            f"there is no chemistry {chemistry!r} here: declare one of {', '.join(CHEMISTRIES)}"
        )
    if cells < 1:
        raise WirevowError(f"{cells} cells are none: declare the cells in series, 1 or more")
    volts = kind.usual if cut_off is None else cut_off
    if volts < kind.floor:
        raise WirevowError(
            f"a cut-off of {volts:g} V a cell destroys {chemistry} cells and can make them dangerous: give"
            f" {kind.floor:g} V or more ({kind.usual:g} V is usual; the cell's maker knows)"
        )
    if volts >= kind.nominal:
        raise WirevowError(
            f"a cut-off of {volts:g} V a cell is not below the {kind.nominal:g} V that a {chemistry} cell has"
            f" when half full: give it for one cell, from {kind.floor:g} V up"
        )
    if rated_ah is not None and not rated_ah > 0:
        raise WirevowError(f"a rated capacity of {rated_ah:g} A.h is none: give it in A.h, as printed on it")
    return Battery(chemistry, cells, volts, rated_ah)


def found(battery: Battery, volts: float, name: str) -> None:
    """Hold the voltage at rest, read as the point `name`, against what was declared. Raises WirevowError."""
    if volts < -0.2:
        raise WirevowError(
            f"the battery is connected reversed: {name} reads {volts:.3f} V. Nothing was started;"
            " disconnect it,"
            " and measure which terminal is which before it is connected again"
        )
    if volts < 0.2:
        raise WirevowError(
            f"there is no battery: {name} reads {volts:.3f} V. Connect it, check its fuse, and start again"
        )
    if volts > battery.highest:
        raise WirevowError(
            f"{volts:.3f} V are too many for {battery.cells} {battery.chemistry} cells"
            f" ({battery.highest:.2f} V at"
            " most): declare the cells that are really there"
        )
    if volts <= battery.lowest:
        raise WirevowError(
            f"{volts:.3f} V at rest are not above the cut-off of {battery.lowest:.3f} V ({battery.cells}"
            " cells at"
            f" {battery.cut_off:g} V): charge it, or declare the cells that are really there"
        )
    fewer = battery.cells - 1
    if fewer and volts <= fewer * battery.kind.highest and volts < battery.cells * battery.kind.nominal * 0.9:
        raise WirevowError(
            f"{volts:.3f} V at rest are {volts / battery.cells:.2f} V a cell, little for {battery.cells}"
            " charged"
            f" {battery.chemistry} cells: a cell is dead, or there are fewer. Measure each before you go on"
        )
