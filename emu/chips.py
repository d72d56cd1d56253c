"""The microcontrollers a board may have: which pins there are, and what the chip's own parts do with them.

Pins as in the data sheets of the families (ATmega48A to 328P, ATmega164A to 1284P, ATmega640 to 2561; from
memory; the timers' pins are held against the tables of the simulator's library by a test).
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Microcontroller:
    """One family. Pins are called like `PC0`; what a part does with one has the data sheet's name.

    `analog` has inputs of the converter that are on no port, by `None`.
    """

    pins: frozenset[str]
    uarts: Mapping[int, Mapping[str, str]]
    spi: Mapping[str, str]
    twi: Mapping[str, str]
    analog: Mapping[str, str | None]
    compare: Mapping[str, str]
    """Outputs of the timers' compare units, as OC0A."""


def _pins(**ports: str) -> frozenset[str]:
    return frozenset(f"{port}{bit}" for port, bits in ports.items() for bit in bits)


def _named(prefix: str, pins: str) -> dict[str, str]:
    return {f"{prefix}{number}": pin for number, pin in enumerate(pins.split())}


def _units(units_and_pins: str) -> dict[str, str]:
    words = units_and_pins.split()
    return {f"OC{unit}": pin for unit, pin in zip(words[::2], words[1::2], strict=True)}


_ALL = "01234567"

_SMALL = Microcontroller(
    pins=_pins(PB=_ALL, PC="012345", PD=_ALL),
    uarts={0: {"RXD0": "PD0", "TXD0": "PD1"}},
    spi={"MOSI": "PB3", "MISO": "PB4", "SCK": "PB5"},
    twi={"SDA": "PC4", "SCL": "PC5"},
    analog={**_named("ADC", "PC0 PC1 PC2 PC3 PC4 PC5"), "ADC6": None, "ADC7": None},
    compare=_units("0A PD6 0B PD5 1A PB1 1B PB2 2A PB3 2B PD3"),
)

_MIDDLE = Microcontroller(
    pins=_pins(PA=_ALL, PB=_ALL, PC=_ALL, PD=_ALL),
    uarts={0: {"RXD0": "PD0", "TXD0": "PD1"}, 1: {"RXD1": "PD2", "TXD1": "PD3"}},
    spi={"MOSI": "PB5", "MISO": "PB6", "SCK": "PB7"},
    twi={"SDA": "PC1", "SCL": "PC0"},
    analog=_named("ADC", "PA0 PA1 PA2 PA3 PA4 PA5 PA6 PA7"),
    compare=_units("0A PB3 0B PB4 1A PD5 1B PD4 2A PD7 2B PD6"),
)

_LARGE = Microcontroller(
    pins=_pins(
        PA=_ALL, PB=_ALL, PC=_ALL, PD=_ALL, PE=_ALL, PF=_ALL, PG="012345", PH=_ALL, PJ=_ALL, PK=_ALL, PL=_ALL
    ),
    uarts={
        0: {"RXD0": "PE0", "TXD0": "PE1"},
        1: {"RXD1": "PD2", "TXD1": "PD3"},
        2: {"RXD2": "PH0", "TXD2": "PH1"},
        3: {"RXD3": "PJ0", "TXD3": "PJ1"},
    },
    spi={"MOSI": "PB2", "MISO": "PB3", "SCK": "PB1"},
    twi={"SDA": "PD1", "SCL": "PD0"},
    analog=_named("ADC", "PF0 PF1 PF2 PF3 PF4 PF5 PF6 PF7 PK0 PK1 PK2 PK3 PK4 PK5 PK6 PK7"),
    compare=_units(
        "0A PB7 0B PG5 1A PB5 1B PB6 2A PB4 2B PH6 3A PE3 3B PE4 3C PE5 "
        "4A PH3 4B PH4 4C PH5 5A PL3 5B PL4 5C PL5"
    ),
)

MICROCONTROLLERS: dict[str, Microcontroller] = {
    **dict.fromkeys(("atmega88", "atmega88p", "atmega168", "atmega168p", "atmega328", "atmega328p"), _SMALL),
    **dict.fromkeys(
        (
            *("atmega164", "atmega164p", "atmega324", "atmega324p"),
            *("atmega644", "atmega644p", "atmega1284", "atmega1284p"),
        ),
        _MIDDLE,
    ),
    "atmega2560": _LARGE,
}
"""By the names that the simulator's library has for them."""
