"""Bench files: what is wired to the instrument, the weather around it, mishaps, and its firmware's board.

A bench is a YAML file (`spec/bench/`). Everything has a default except the source of a sink. Events of the
timeline are those of the plant (`wirevow.emu.plant`), so a rig can do by hand whatever a timeline can.
"""

from __future__ import annotations

from itertools import pairwise
from typing import Annotated, Literal

from pydantic import BaseModel, ConfigDict, Field, model_validator

from wirevow.emu.board import Board
from wirevow.protocol.document.model import Prose


class BenchSection(BaseModel):
    """Base of every part of a bench: unknown keys are errors, values never change after loading."""

    model_config = ConfigDict(extra="forbid", frozen=True, allow_inf_nan=False)


Ohm = Annotated[float, Field(ge=0.0, le=1e4)]
Volt = Annotated[float, Field(ge=0.0, le=1e3)]


class SupplySource(BenchSection):
    """A regulated supply: constant voltage behind a resistance, crossing over to constant current."""

    kind: Literal["supply"]
    volt: Volt
    ohm: Ohm = Field(default=0.002, description="Output resistance while it holds its voltage.")
    limit_ampere: float = Field(default=10.0, ge=0.0, le=1e3, description="Current at which it crosses over.")
    limit_ohm: float = Field(
        default=200.0, gt=0.0, le=1e6, description="Output resistance while it holds its current."
    )


class TheveninSource(BenchSection):
    """A voltage behind a resistance."""

    kind: Literal["thevenin"]
    volt: Volt
    ohm: Ohm = 0.1


class TableRow(BenchSection):
    """One row of a cell's table: rest voltage and series resistance at a state of charge."""

    soc: float = Field(ge=0.0, le=1.0)
    volt: float = Field(gt=0.0, le=20.0)
    ohm: float = Field(ge=0.0, le=100.0)


class RcPair(BenchSection):
    """A resistance with a capacitance across it, given by its time constant."""

    ohm: float = Field(gt=0.0, le=100.0)
    second: float = Field(gt=1e-3, le=1e6)


class Peukert(BenchSection):
    """t = H (C / (I H))^k: above C / H, charge is used up faster than it is drawn (Peukert 1897)."""

    exponent: float = Field(ge=1.0, le=1.6, description="k")
    hours: float = Field(gt=0.0, le=100.0, description="H, the time at which the capacity is rated.")


class BatterySource(BenchSection):
    """Cells in series: rest voltage and resistance by table, up to two RC pairs; values are of one cell."""

    kind: Literal["battery"]
    cells: int = Field(default=1, ge=1, le=200)
    ampere_hour: float = Field(gt=0.0, le=1e4, description="Charge between state of charge 1 and 0.")
    soc: float = Field(default=1.0, ge=0.0, le=1.0, description="State of charge at the start.")
    table: list[TableRow] = Field(
        min_length=3, max_length=200, description="By rising state of charge, 0 to 1."
    )
    pairs: list[RcPair] = Field(default=[], max_length=2)
    peukert: Peukert | None = None
    celsius: float = Field(default=25.0, ge=-40.0, le=80.0, description="Temperature of the cells.")
    activation_kelvin: float = Field(
        default=0.0,
        ge=0.0,
        le=2e4,
        description="Resistances go with exp(this (1/T - 1/298.15 K)): cold cells are stiffer.",
    )
    millivolt_per_kelvin: float = Field(
        default=0.0,
        ge=-5.0,
        le=5.0,
        description="Change of one cell's rest voltage with temperature, from 25 Cel.",
    )

    @model_validator(mode="after")
    def _table_rises(self) -> BatterySource:
        socs = [row.soc for row in self.table]
        if any(b <= a for a, b in pairwise(socs)) or socs[0] != 0.0 or socs[-1] != 1.0:
            raise ValueError("the table's soc must rise from 0 to 1: sort the rows, begin at 0 and end at 1")
        if any(b.volt < a.volt for a, b in pairwise(self.table)):
            raise ValueError("the table's volt must not fall while soc rises: check the rows")
        if len(self.pairs) == 2 and self.pairs[0].second == self.pairs[1].second:
            raise ValueError("two pairs with one time constant are one pair: add their resistances")
        return self


class PanelSource(BenchSection):
    """A photovoltaic panel by the single-diode model, at its present irradiance and temperature.

    i = photo - saturation (exp((v + i R) / slope) - 1) - (v + i R) / shunt; `slope_volt` is ideality times
    cells times kT/q.
    """

    kind: Literal["panel"]
    photo_ampere: float = Field(gt=0.0, le=100.0, description="Photo current at full irradiance.")
    saturation_ampere: float = Field(gt=0.0, le=1.0)
    slope_volt: float = Field(gt=0.0, le=50.0)
    ohm: float = Field(gt=0.0, le=100.0, description="Series resistance.")
    shunt_ohm: float = Field(gt=0.0, le=1e7)
    irradiance: float = Field(default=1.0, ge=0.0, le=1.5, description="Share of full irradiance.")


class BankSource(BenchSection):
    """A capacitor bank, charged once: capacitance behind a resistance."""

    kind: Literal["bank"]
    farad: float = Field(gt=1e-6, le=1e6)
    volt: Volt
    ohm: Ohm = 0.01


Source = Annotated[
    SupplySource | TheveninSource | BatterySource | PanelSource | BankSource, Field(discriminator="kind")
]

COPPER_OHM_PER_KILOMETRE = {0.75: 26.0, 1.0: 19.5, 1.5: 13.3, 2.5: 7.98, 4.0: 4.95}
"""Flexible plain copper at 20 Cel by cross-section in mm2: IEC 60228 class 5 (figures from memory)."""


class Leads(BenchSection):
    """The two leads between source and terminals: by resistance, or by length and cross-section."""

    ohm: float | None = Field(
        default=None, ge=0.0, le=100.0, description="Both leads and their contacts together."
    )
    metre: float | None = Field(default=None, gt=0.0, le=1e3, description="Length of one lead.")
    square_millimetre: float | None = Field(
        default=None, description="Copper of one lead; 0.75, 1, 1.5, 2.5 or 4."
    )
    henry: float = Field(default=0.0, ge=0.0, le=1e-3, description="Inductance of the loop of both leads.")
    sense: Literal["good", "open"] = Field(
        default="good", description="Whether the sense leads reach the source."
    )

    @model_validator(mode="after")
    def _one_way(self) -> Leads:
        if (self.metre is None) != (self.square_millimetre is None) or (
            self.ohm is not None and self.metre is not None
        ):
            raise ValueError("describe the leads by ohm alone, or by metre and square_millimetre together")
        if self.square_millimetre is not None and self.square_millimetre not in COPPER_OHM_PER_KILOMETRE:
            raise ValueError("square_millimetre is one of 0.75, 1, 1.5, 2.5 or 4 (IEC 60228)")
        return self

    @property
    def loop_ohm(self) -> float:
        """Resistance there and back."""
        if self.metre is not None and self.square_millimetre is not None:
            return 2.0 * self.metre * COPPER_OHM_PER_KILOMETRE[self.square_millimetre] / 1000.0
        return self.ohm if self.ohm is not None else 0.01


class Mishap(BenchSection):
    """One bench event at a time after the start."""

    at_second: float = Field(ge=0.0, le=1e8)
    event: str = Field(
        min_length=1, max_length=40, description="A bench event of the plant, or a hand at the panel."
    )
    value: float | str | None = None


class Bench(BenchSection):
    """A whole bench."""

    title: Prose = Field(max_length=120)
    means: str = Field(
        default="", max_length=1200, description="What this bench is good for, and its cautions."
    )
    source: Source | None = Field(default=None, description="What feeds a sink; not for other plants.")
    leads: Leads = Leads()
    ambient_celsius: float = Field(default=23.0, ge=-40.0, le=80.0)
    vents_blocked: float = Field(
        default=0.0, ge=0.0, le=1.0, description="Share of the air's way that is blocked."
    )
    timeline: list[Mishap] = Field(default=[], max_length=1000, description="Sorted by time.")
    board: Board | None = Field(
        default=None, description="The pins and chips of somebody's firmware; only that looks at it."
    )

    @model_validator(mode="after")
    def _in_order(self) -> Bench:
        for earlier, later in pairwise(self.timeline):
            if later.at_second < earlier.at_second:
                raise ValueError(
                    f"the timeline goes back from {earlier.at_second:g} s to {later.at_second:g} s: "
                    "sort it by at_second"
                )
        return self
