"""Two pictures of the simulated instrument at work: a discharge over hours, a swing edge over microseconds.

They show the physics with the firmware's loops, not the wire: the plant is driven directly.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from wirevow.emu.bench import BankSource, BatterySource, Bench
from wirevow.emu.plant.build import plant_of
from wirevow.emu.plant.interface import Plant
from wirevow.emu.plant.sink_section import SinkPlant
from wirevow.protocol.document.model import Document
from wirevow.protocol.errors import WirevowError
from wirevow.protocol.figures import (
    BLUE,
    GREEN,
    GREY,
    RED,
    VIOLET,
    cut_off_line,
    figure,
    label,
    last_value,
    time_unit,
)

if TYPE_CHECKING:
    from matplotlib.figure import Figure

NS = 1_000_000_000


def _sink(document: Document, bench: Bench, seed: int) -> Plant:
    if not isinstance(document.plant, SinkPlant):
        raise WirevowError(f"{document.vow.name} is no sink: draw a document whose plant is one, as tarn")
    if bench.source is None:
        raise WirevowError(f"the bench {bench.title!r} has no source: choose one that feeds a sink")
    return plant_of(document, bench, seed)


def discharge(document: Document, bench: Bench, amps: float, cut_off: float, seed: int) -> Figure:
    """A capacity run at constant current down to a cut-off voltage, as a host that logs it would see it."""
    plant = _sink(document, bench, seed)
    expected = _seconds(bench, amps)
    unit, scale = time_unit(expected)
    plant.control({"relay": "closed", "limit.current": 1e3, "limit.power": 1e5}, 0)
    plant.watch(1, "input.voltage", False, cut_off)
    start = 300 * NS
    plant.advance(start)
    plant.control({"stage": "run", "level.current": amps}, plant.now_ns)
    signals = ("input.voltage", "input.current", "heat.junction", "heat.temperature", "fan.duty", "charge")
    period = 100_000_000
    step = max(round(1000 * expected / 1200), 1) * NS // 1000
    times: list[float] = []
    seen: dict[str, list[float]] = {signal: [] for signal in signals}
    end: int | None = None
    while end is None or plant.now_ns < end + 0.25 * expected * NS:
        target = (plant.now_ns // step + 1) * step
        crossing = plant.advance(target)
        if crossing is not None and crossing.true and end is None:
            end = plant.now_ns
            plant.control({"stage": "off", "relay": "open"}, end)
        if end is None and plant.now_ns > start + 5 * expected * NS:
            raise WirevowError(
                f"the cut-off of {cut_off:g} V is never reached: choose a battery or a higher one"
            )
        times.append((plant.now_ns - start) / scale / NS)
        tick = plant.now_ns // period
        for signal in signals:
            value = (
                plant.at(signal, plant.now_ns)
                if signal == "heat.junction"
                else plant.sample(signal, tick, period)
            )
            seen[signal].append(value)
    finished = (end - start) / scale / NS

    made, axes = figure(
        [2.2, 1.0, 1.6, 0.9, 1.3], title=f"Discharge at {amps:g} A to {cut_off:g} V: {bench.title}"
    )
    volts, current, heat, fan, charge = axes
    volts.plot(times, seen["input.voltage"], color=BLUE, linewidth=1.4)
    cut_off_line(volts, cut_off, times[0])
    label(volts, "voltage\nV")
    current.plot(times, seen["input.current"], color=RED, linewidth=1.2)
    current.set_ylim(-0.08 * amps, 1.3 * amps)
    label(current, "current\nA")
    heat.plot(times, seen["heat.junction"], color=RED, linewidth=1.0, label="junction (true)")
    heat.plot(times, seen["heat.temperature"], color=GREEN, linewidth=1.3, label="heatsink (measured)")
    heat.legend(fontsize=8, frameon=False, loc="upper left", ncols=2)
    heat.margins(y=0.25)
    label(heat, "temperature\n°C")
    fan.step(times, [100 * duty for duty in seen["fan.duty"]], color=VIOLET, linewidth=1.2, where="post")
    fan.set_ylim(-8, 108)
    fan.set_yticks([0, 50, 100])
    label(fan, "fan duty\n%")
    total = [value / 3600 for value in seen["charge"]]
    charge.plot(times, total, color=BLUE, linewidth=1.4)
    charge.set_ylim(0.0, 1.25 * max(total))
    last_value(charge, f"{total[-1]:.3f} A·h", (finished, total[-1]), BLUE)
    label(charge, "charge\nA·h")
    for axis in axes:
        axis.axvline(finished, color=GREY, linewidth=0.8)
        axis.set_xlim(times[0], times[-1])
    charge.set_xlabel(f"{unit} since the start", fontsize=9)
    return made


def _seconds(bench: Bench, amps: float) -> float:
    """About how long the source lasts at a current."""
    if isinstance(bench.source, BatterySource):
        return 3600.0 * bench.source.ampere_hour * bench.source.soc / amps
    if isinstance(bench.source, BankSource):
        return bench.source.farad * bench.source.volt / amps
    raise WirevowError(
        f"the source of {bench.title!r} does not drain: choose a bench with a battery or a bank"
    )


def swing(document: Document, bench: Bench, low: float, high: float, slew: float, seed: int) -> Figure:
    """One rising and one falling edge of a swing, sampled every quarter microsecond."""
    plant = _sink(document, bench, seed)
    flat = 250e-6
    plant.control(
        {"relay": "closed", "stage": "swing", "sense": "remote", "swing.low": low, "swing.high": high,
         "slew": slew, "swing.low_time": 4 * flat, "swing.high_time": flat, "limit.current": 1e3,
         "limit.power": 1e5},
        0,
    )  # fmt: skip
    edge = 8 * round(flat * NS) + round(flat * NS)  # the second rising edge: the first is still settling in
    times: list[float] = []
    current: list[float] = []
    at_terminals: list[float] = []
    at_source: list[float] = []
    for ns in range(edge - 40_000, edge + 450_000, 250):
        plant.advance(ns)
        times.append((ns - edge) / 1000)
        current.append(plant.at("input.current", ns))
        at_terminals.append(plant.at("input.terminal_voltage", ns))
        at_source.append(at_terminals[-1] - plant.at("sense.drop", ns))

    title = f"Swing between {low:g} A and {high:g} A at {slew / 1e6:g} A/µs: {bench.title}"
    made, (amps, volts) = figure([2.4, 2.4], title=title)
    ramp = (high - low) / slew * 1e6
    wide = flat * 1e6
    asked = [low, low, high, high, low, low]
    amps.plot([times[0], 0, ramp, wide, wide + ramp, times[-1]], asked, color=GREY, linewidth=0.9,
              linestyle=(0, (4, 3)), label="asked for")  # fmt: skip
    amps.plot(times, current, color=RED, linewidth=1.5, label="drawn")
    amps.legend(fontsize=8, frameon=False, loc="center left", bbox_to_anchor=(0.2, 0.5))
    label(amps, "current\nA")
    volts.plot(times, at_source, color=BLUE, linewidth=1.3, label="at the source (sense leads)")
    volts.plot(times, at_terminals, color=GREEN, linewidth=1.5, label="at the terminals")
    volts.legend(fontsize=8, frameon=False, loc="center left", bbox_to_anchor=(0.2, 0.5))
    label(volts, "voltage\nV")
    volts.set_xlabel("microseconds since the edge", fontsize=9)
    volts.set_xlim(times[0], times[-1])
    return made
