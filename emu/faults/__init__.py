"""Simulated instruments, good ones and ones that are broken on purpose.

`build_instrument` is how every port, command and audit makes one. The catalogue (`emu.faults.catalogue`) is
imported only when a fault is asked for.
"""

from __future__ import annotations

from difflib import get_close_matches
from typing import TYPE_CHECKING

from wirevow.emu.bench import Bench
from wirevow.emu.instrument import Instrument
from wirevow.emu.plant.build import plant_of
from wirevow.protocol.device import Store
from wirevow.protocol.errors import WirevowError
from wirevow.protocol.vow import Vow

if TYPE_CHECKING:
    from wirevow.emu.faults.fault import Fault


def fault_named(name: str) -> Fault:
    """The fault of that name; `WirevowError` with names like it."""
    from wirevow.emu.faults.catalogue import FAULTS

    fault = FAULTS.get(name)
    if fault is None:
        near = get_close_matches(name[:60], FAULTS, n=3, cutoff=0.0)
        raise WirevowError(f"there is no fault {name[:60]!r}: did you mean {', '.join(near)}?")
    return fault


def faults_for(vow: Vow) -> tuple[Fault, ...]:
    """The faults that make sense in a document, in the catalogue's order."""
    from wirevow.emu.faults.catalogue import FAULTS

    return tuple(fault for fault in FAULTS.values() if fault.applies(vow))


def build_instrument(
    vow: Vow, bench: Bench | None = None, seed: int = 0, fault: str | None = None, store: Store | None = None
) -> Instrument:
    """An instrument of a document on a bench, at 0 ns and booted; with a fault or a mutant, if one is named.

    `WirevowError` for an unknown fault, or one that has nothing to break in this document.
    """
    if fault is None:
        return Instrument(vow, bench, seed, store=store)
    if "/" in fault:
        from wirevow.emu.mutants import build_mutant

        return build_mutant(vow, fault, bench, seed, store)
    chosen = fault_named(fault)
    if not chosen.applies(vow):
        raise WirevowError(
            f"fault {fault} has nothing to break in {vow.identity[0]}: choose another fault or document"
        )
    behaves = vow if chosen.tables is None else chosen.tables(vow)
    plant = plant_of(behaves.document, bench, seed)
    return chosen.instrument(
        behaves,
        bench,
        seed,
        device_class=chosen.device,
        store=store,
        plant=plant if chosen.plant is None else chosen.plant(plant, vow),
    )
