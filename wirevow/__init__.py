"""Wirevow: one document says what an instrument promises on its wire; everything else follows from it.

These names are public, and change only with the version:

=================  ===================================================================================
`load`            a document (a file, or the name of one that comes with Wirevow) as a checked `Vow`
`emulate`         the simulated instrument of a document, in this process, for a `with` block
`connect`         the instrument at a port as a `Client`, its points and actions as attributes
`Client`          what `connect` gives; a `with` block that ends safe
`connect_async`   the same for asyncio, awaited: an `AsyncClient`, for `async with`
`AsyncClient`     what `connect_async` gives
`VirtualLoop`     an event loop in which waiting takes no time, for an instrument in this process
`Event`           something that the instrument said unasked, or that happened to the link
`Refused`         the instrument refused a request: `reason`, `details`, `low`, `high`, `unit`
`Unsure`          a put or an act during which the port was lost or the instrument booted
`Silent`          the instrument does not answer
`UnsafeEnd`       the safe action could not be confirmed at the end: see to the instrument
`HungWait`        a wait in virtual time that nothing would ever end
`WrongInstrument` another document's instrument is at the port
`check`           hold the instrument at a port to a document; returns a `Report`
`discharge`       a battery's capacity, energy and resistance, with their uncertainties
`Plant`           base class of your own physics, by its rates of change
`PlantParameters` base class of the parameters of such a plant, a pydantic model
`Signal`          what of a plant can be read: a unit and a meaning
`Control`         what a plant can be told, or what can happen to it: a range in a unit, or words
`Vow`             a document made ready: `document` is its typed model
`Emulation`       what `emulate` gives: `url` is a port that pyserial opens
`Report`          what a check has found: `verdict`, `rows`, `breaches` and more
`WirevowError`    every error that a person can do something about, in one line
=================  ===================================================================================

    import serial
    import wirevow

    with wirevow.emulate("tarn", seed=7) as tarn:
        with serial.serial_for_url(tarn.url, timeout=1) as port:
            port.write(b"ask input.voltage\\n")
            print(port.readline())

    report = wirevow.check("tarn", "emu://tarn", seed=7)
    print(report.verdict)

Importing `wirevow` also teaches pyserial the URLs `emu://NAME`. Everything below (`wirevow.protocol`,
`wirevow.emu`, `wirevow.spec`) is private and may change with any version.
"""

from importlib import import_module
from typing import TYPE_CHECKING

import serial

from wirevow._version import __version__

if TYPE_CHECKING:
    from wirevow.emu.checking import check
    from wirevow.emu.connecting import connect, connect_async
    from wirevow.emu.discharging import discharge
    from wirevow.emu.emulation import Emulation, emulate
    from wirevow.emu.loading import load
    from wirevow.emu.plant.rates import RatesPlant as Plant
    from wirevow.emu.plant.sections import PlantParameters
    from wirevow.emu.ports.aio import VirtualLoop
    from wirevow.protocol.client.aio import AsyncClient
    from wirevow.protocol.client.failures import (
        HungWait,
        Refused,
        Silent,
        UnsafeEnd,
        Unsure,
        WrongInstrument,
    )
    from wirevow.protocol.client.operations import Event
    from wirevow.protocol.client.sync import Client
    from wirevow.protocol.document.terminals import Control, Signal
    from wirevow.protocol.errors import WirevowError
    from wirevow.protocol.report.outcome import Outcome as Report
    from wirevow.protocol.vow import Vow

__all__ = [
    "AsyncClient",
    "Client",
    "Control",
    "Emulation",
    "Event",
    "HungWait",
    "Plant",
    "PlantParameters",
    "Refused",
    "Report",
    "Signal",
    "Silent",
    "UnsafeEnd",
    "Unsure",
    "VirtualLoop",
    "Vow",
    "WirevowError",
    "WrongInstrument",
    "__version__",
    "check",
    "connect",
    "connect_async",
    "discharge",
    "emulate",
    "load",
]

_HOMES = {
    "Control": ("wirevow.protocol.document.terminals", "Control"),
    "Plant": ("wirevow.emu.plant.rates", "RatesPlant"),
    "PlantParameters": ("wirevow.emu.plant.sections", "PlantParameters"),
    "Signal": ("wirevow.protocol.document.terminals", "Signal"),
    "AsyncClient": ("wirevow.protocol.client.aio", "AsyncClient"),
    "Event": ("wirevow.protocol.client.operations", "Event"),
    "HungWait": ("wirevow.protocol.client.failures", "HungWait"),
    "UnsafeEnd": ("wirevow.protocol.client.failures", "UnsafeEnd"),
    "VirtualLoop": ("wirevow.emu.ports.aio", "VirtualLoop"),
    "connect_async": ("wirevow.emu.connecting", "connect_async"),
    "Client": ("wirevow.protocol.client.sync", "Client"),
    "Refused": ("wirevow.protocol.client.failures", "Refused"),
    "Silent": ("wirevow.protocol.client.failures", "Silent"),
    "Unsure": ("wirevow.protocol.client.failures", "Unsure"),
    "WrongInstrument": ("wirevow.protocol.client.failures", "WrongInstrument"),
    "connect": ("wirevow.emu.connecting", "connect"),
    "Emulation": ("wirevow.emu.emulation", "Emulation"),
    "Report": ("wirevow.protocol.report.outcome", "Outcome"),
    "Vow": ("wirevow.protocol.vow", "Vow"),
    "WirevowError": ("wirevow.protocol.errors", "WirevowError"),
    "check": ("wirevow.emu.checking", "check"),
    "discharge": ("wirevow.emu.discharging", "discharge"),
    "emulate": ("wirevow.emu.emulation", "emulate"),
    "load": ("wirevow.emu.loading", "load"),
}
"""Where each public name lives: looked up at its first use, so that `import wirevow` costs little."""

if "wirevow.emu.ports.urls" not in serial.protocol_handler_packages:
    serial.protocol_handler_packages.append("wirevow.emu.ports.urls")


def __getattr__(name: str) -> object:
    if name not in _HOMES:
        raise AttributeError(f"module 'wirevow' has no attribute {name!r}")
    module, attribute = _HOMES[name]
    value = getattr(import_module(module), attribute)
    globals()[name] = value
    return value


def __dir__() -> list[str]:
    return sorted(__all__)
