"""A discharge as one call, for programs and notebooks."""

from __future__ import annotations

from collections.abc import Callable
from os import PathLike

from wirevow.emu.connecting import connect
from wirevow.emu.loading import load
from wirevow.protocol.errors import WirevowError
from wirevow.protocol.jobs.battery import declared
from wirevow.protocol.jobs.box import RECONNECT_S
from wirevow.protocol.jobs.discharging import Course, Plan, Result, check_plan
from wirevow.protocol.jobs.parts import Parts
from wirevow.protocol.jobs.runlog import Row
from wirevow.protocol.jobs.stopping import Limits


def discharge(
    doc: str | PathLike[str],
    port: str,
    *,
    chemistry: str,
    cells: int,
    amps: float,
    cut_off: float | None = None,
    rated: float | None = None,
    every: float = 1.0,
    pulses: bool = False,
    most_seconds: float | None = None,
    cautions_read: bool = False,
    tell: Callable[[Row, float | None], None] = lambda row, left: None,
) -> Result:
    """Discharge the battery at `port` at a constant current down to `cut_off` volts a cell.

    `chemistry`, `cells` (in series) and `rated` (A.h) are your declarations. `every` is in seconds of the
    instrument's time: on `emu://` hours pass in seconds. `tell` gets every row and the estimated seconds
    left. A port that may be real wants `cautions_read=True`: `wirevow discharge` shows them. The box is off
    afterwards, whatever happened. Raises WirevowError.
    """
    vow = load(doc)
    parts = Parts(vow)
    limits = Limits(seconds=most_seconds)
    plan = Plan(
        declared(chemistry, cells, cut_off, rated), "current", amps, every, pulses=pulses, limits=limits
    )
    check_plan(parts, plan)
    if not port.startswith("emu://") and not cautions_read:
        raise WirevowError(
            f"{port} may be a real instrument: read the cautions in the README, stay with it, and say so with"
            " cautions_read=True"
        )
    with connect(port, vow, reconnect=RECONNECT_S) as client:
        return Course(client, parts, plan, tell=tell).run()
