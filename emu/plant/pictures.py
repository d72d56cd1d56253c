"""Two pictures of the simulated instrument at work: a discharge over hours, a swing edge over microseconds.
And discharges that were logged, compared.

The first two show the physics with the firmware's loops, not the wire: the plant is driven directly.
matplotlib is an extra (`pictures`) and imported only when something is drawn.
"""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import click

from wirevow.emu.bench import BankSource, BatterySource, Bench
from wirevow.emu.plant.build import plant_of
from wirevow.emu.plant.interface import Plant
from wirevow.protocol.document.load import load_document, load_yaml_model
from wirevow.protocol.document.model import Document
from wirevow.protocol.document.plant import SinkPlant
from wirevow.protocol.errors import WirevowError

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

NS = 1_000_000_000
_BLUE, _RED, _GREEN, _VIOLET, _GREY = "#1f5fa8", "#b8432f", "#2d7d46", "#6b4c9a", "#666666"


def _sink(document: Document, bench: Bench, seed: int) -> Plant:
    if not isinstance(document.plant, SinkPlant):
        raise WirevowError(f"{document.vow.name} is no sink: draw a document whose plant has kind: sink")
    if bench.source is None:
        raise WirevowError(f"the bench {bench.title!r} has no source: choose one that feeds a sink")
    return plant_of(document, bench, seed)


def _figure(rows: list[float], title: str) -> tuple[Figure, list[Axes]]:
    try:
        from matplotlib.figure import Figure as NewFigure
    except ModuleNotFoundError:
        raise WirevowError("matplotlib is missing: install wirevow[pictures]") from None
    figure = NewFigure(figsize=(8.6, 1.6 + 1.05 * sum(rows)), layout="constrained", dpi=130)
    axes = figure.subplots(len(rows), 1, sharex=True, height_ratios=rows)
    figure.suptitle(title, fontsize=11, x=0.01, ha="left")
    for axis in axes:
        axis.grid(True, color="#dddddd", linewidth=0.6)
        axis.tick_params(labelsize=8)
        for side in ("top", "right"):
            axis.spines[side].set_visible(False)
    return figure, list(axes)


def _label(axis: Axes, text: str) -> None:
    axis.set_ylabel(text, fontsize=8.5, rotation=0, ha="right", va="center", labelpad=8)


def discharge(document: Document, bench: Bench, amps: float, cut_off: float, seed: int) -> Figure:
    """A capacity run at constant current down to a cut-off voltage, as a host that logs it would see it."""
    plant = _sink(document, bench, seed)
    expected = _seconds(bench, amps)
    unit, scale = ("hours", 3600) if expected > 3600 else ("minutes", 60)
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

    figure, axes = _figure(
        [2.2, 1.0, 1.6, 0.9, 1.3], f"Discharge at {amps:g} A to {cut_off:g} V: {bench.title}"
    )
    volts, current, heat, fan, charge = axes
    volts.plot(times, seen["input.voltage"], color=_BLUE, linewidth=1.4)
    volts.axhline(cut_off, color=_GREY, linewidth=0.8, linestyle=(0, (4, 3)))
    volts.annotate(f"cut-off {cut_off:g} V", (times[0], cut_off), xytext=(2, 3), textcoords="offset points",
                   fontsize=8, color=_GREY)  # fmt: skip
    _label(volts, "voltage\nV")
    current.plot(times, seen["input.current"], color=_RED, linewidth=1.2)
    current.set_ylim(-0.08 * amps, 1.3 * amps)
    _label(current, "current\nA")
    heat.plot(times, seen["heat.junction"], color=_RED, linewidth=1.0, label="junction (true)")
    heat.plot(times, seen["heat.temperature"], color=_GREEN, linewidth=1.3, label="heatsink (measured)")
    heat.legend(fontsize=8, frameon=False, loc="upper left", ncols=2)
    heat.margins(y=0.25)
    _label(heat, "temperature\n°C")
    fan.step(times, [100 * duty for duty in seen["fan.duty"]], color=_VIOLET, linewidth=1.2, where="post")
    fan.set_ylim(-8, 108)
    fan.set_yticks([0, 50, 100])
    _label(fan, "fan duty\n%")
    total = [value / 3600 for value in seen["charge"]]
    charge.plot(times, total, color=_BLUE, linewidth=1.4)
    charge.set_ylim(0.0, 1.25 * max(total))
    charge.annotate(f"{total[-1]:.3f} A·h", (finished, total[-1]), xytext=(-4, 5), textcoords="offset points",
                    fontsize=8.5, color=_BLUE, ha="right")  # fmt: skip
    _label(charge, "charge\nA·h")
    for axis in axes:
        axis.axvline(finished, color=_GREY, linewidth=0.8)
        axis.set_xlim(times[0], times[-1])
    charge.set_xlabel(f"{unit} since the start", fontsize=9)
    return figure


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
    figure, (amps, volts) = _figure([2.4, 2.4], title)
    ramp = (high - low) / slew * 1e6
    wide = flat * 1e6
    asked = [low, low, high, high, low, low]
    amps.plot([times[0], 0, ramp, wide, wide + ramp, times[-1]], asked, color=_GREY, linewidth=0.9,
              linestyle=(0, (4, 3)), label="asked for")  # fmt: skip
    amps.plot(times, current, color=_RED, linewidth=1.5, label="drawn")
    amps.legend(fontsize=8, frameon=False, loc="center left", bbox_to_anchor=(0.2, 0.5))
    _label(amps, "current\nA")
    volts.plot(times, at_source, color=_BLUE, linewidth=1.3, label="at the source (sense leads)")
    volts.plot(times, at_terminals, color=_GREEN, linewidth=1.5, label="at the terminals")
    volts.legend(fontsize=8, frameon=False, loc="center left", bbox_to_anchor=(0.2, 0.5))
    _label(volts, "voltage\nV")
    volts.set_xlabel("microseconds since the edge", fontsize=9)
    volts.set_xlim(times[0], times[-1])
    return figure


def _loaded(doc: str, bench: str) -> tuple[Document, Bench]:
    from wirevow.emu.ports.address import find

    return load_document(find(doc)).document, load_yaml_model(find(bench, "bench"), Bench).document


def _drawable(_context: click.Context, _option: click.Parameter, file: Path) -> Path:
    if file.suffix.lower() not in (".png", ".svg", ".pdf"):
        raise WirevowError(f"{file.name}: write a name that ends in .png, .svg or .pdf")
    return file


@click.group(name="draw")
def command() -> None:
    """Draw the simulated instrument at work."""


@command.command("discharge")
@click.option("--doc", default="tarn", show_default=True, help="Document of the instrument.")
@click.option("--bench", default="lithium-pack", show_default=True, help="What is wired to it.")
@click.option("--amps", default=2.5, show_default=True, type=click.FloatRange(0.01, 100.0), help="Level.")
@click.option(
    "--cut-off", default=9.0, show_default=True, type=click.FloatRange(0.1, 100.0), help="End, in V."
)
@click.option("--seed", default=1, show_default=True, help="Of the converters' noise.")
@click.argument("file", type=click.Path(dir_okay=False, path_type=Path), callback=_drawable)
def draw_discharge(doc: str, bench: str, amps: float, cut_off: float, seed: int, file: Path) -> None:
    """Draw a capacity run into FILE (png, svg or pdf)."""
    _save(discharge(*_loaded(doc, bench), amps, cut_off, seed), file)


@command.command("swing")
@click.option("--doc", default="tarn", show_default=True, help="Document of the instrument.")
@click.option("--bench", default="thin-leads", show_default=True, help="What is wired to it.")
@click.option(
    "--low", default=1.0, show_default=True, type=click.FloatRange(0.0, 100.0), help="Lower level, A."
)
@click.option(
    "--high", default=4.0, show_default=True, type=click.FloatRange(0.0, 100.0), help="Upper level, A."
)
@click.option("--slew", default=1e5, show_default=True, type=click.FloatRange(1e4, 1e7), help="Slew, A/s.")
@click.option("--seed", default=1, show_default=True, help="Of the converters' noise.")
@click.argument("file", type=click.Path(dir_okay=False, path_type=Path), callback=_drawable)
def draw_swing(doc: str, bench: str, low: float, high: float, slew: float, seed: int, file: Path) -> None:
    """Draw the edges of a swing into FILE (png, svg or pdf)."""
    _save(swing(*_loaded(doc, bench), low, high, slew, seed), file)


@command.command("runs")
@click.argument("file", type=click.Path(dir_okay=False, path_type=Path), callback=_drawable)
@click.argument("logs", metavar="LOG...", nargs=-1, required=True, type=click.Path(path_type=Path))
def draw_runs(file: Path, logs: tuple[Path, ...]) -> None:
    """Compare up to four discharges in one picture, FILE, from their logs (or the folders of them).

    \b
      wirevow draw runs both.png build/new build/old
    """
    from wirevow.protocol.jobs.pictures import COLOURS, compared
    from wirevow.protocol.jobs.runlog import read

    if len(logs) > len(COLOURS):
        raise WirevowError(f"{len(logs)} runs are too many for one picture: name {len(COLOURS)} at most")
    runs = []
    for log in logs:
        run = read(log / "run.csv" if log.is_dir() else log)
        if not run.rows:
            raise WirevowError(f"{log}: it has no rows yet: leave it out")
        runs.append((log.name if log.is_dir() else log.parent.name or log.name, run))
    _save(compared(runs), file)


def _save(figure: Figure, file: Path) -> None:
    try:
        figure.savefig(file)
    except OSError as wrong:
        raise WirevowError(f"{file} cannot be written ({wrong.strerror}): choose another place") from None
    click.echo(f"wrote {file}")
