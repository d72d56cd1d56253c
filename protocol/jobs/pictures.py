"""Pictures of jobs. matplotlib is an extra (`pictures`)."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

from wirevow.protocol.figures import COLOURS, GREY, cut_off_line, figure, label, last_value, time_unit
from wirevow.protocol.jobs.runlog import Run

if TYPE_CHECKING:
    from matplotlib.figure import Figure

    from wirevow.protocol.jobs.calibrating import Calibrated
    from wirevow.protocol.jobs.sweeping import Swept


def _times(run: Run, scale: float) -> list[float]:
    return [row.seconds / scale for row in run.rows]


def discharge(run: Run) -> Figure:
    """One run against time: voltage, current, temperature, charge."""
    hot = any(row.celsius is not None for row in run.rows)
    made, axes = figure([2.4, 1.2, 1.0, 1.4] if hot else [2.4, 1.2, 1.4])
    unit, scale = time_unit(run.rows[-1].seconds)
    times = _times(run, scale)
    nan = float("nan")
    cut_off = run.about["cells"] * run.about["cut_off_volts_per_cell"]
    volts, current, charge = axes[0], axes[1], axes[-1]
    volts.plot(times, [row.volts for row in run.rows], color=COLOURS[0], linewidth=1.3)
    cut_off_line(volts, cut_off, times[0])
    volts.margins(y=0.12)
    label(volts, "voltage\nV")
    current.plot(times, [row.amperes for row in run.rows], color=COLOURS[1], linewidth=1.2)
    current.set_ylim(bottom=min(0.0, current.get_ylim()[0]), top=1.15 * max(row.amperes for row in run.rows))
    label(current, "current\nA")
    if hot:
        axes[2].plot(times, [nan if row.celsius is None else row.celsius for row in run.rows],
                     color=COLOURS[2], linewidth=1.2)  # fmt: skip
        axes[2].margins(y=0.2)
        label(axes[2], "box\n°C")
    drawn = [row.ampere_hours for row in run.rows]
    charge.plot(times, drawn, color=COLOURS[3], linewidth=1.3)
    last_value(charge, f"{drawn[-1]:.3f} A·h", (times[-1], drawn[-1]), COLOURS[3])
    charge.set_ylim(0.0, 1.25 * max(drawn[-1], 1e-6))
    label(charge, "charge\nA·h")
    charge.set_xlabel(f"{unit} since the start", fontsize=9)
    charge.set_xlim(times[0] - 0.01 * times[-1], 1.01 * times[-1])
    return made


def compared(runs: Sequence[tuple[str, Run]]) -> Figure:
    """Several runs: voltage against charge, and current against time, each run in its colour."""
    made, (volts, current) = figure([3.0, 1.8], shared=False)
    unit, scale = time_unit(max(run.rows[-1].seconds for _, run in runs))
    for colour, (name, run) in zip(COLOURS, runs, strict=False):
        drawn = [row.ampere_hours for row in run.rows]
        seen = f"{name}: {drawn[-1]:.3f} A·h, {run.rows[-1].watt_hours:.2f} W·h"
        volts.plot(drawn, [row.volts for row in run.rows], color=colour, linewidth=1.4, label=seen)
        current.plot(_times(run, scale), [row.amperes for row in run.rows], color=colour, linewidth=1.2)
    volts.legend(fontsize=8.5, frameon=False, loc="lower left")
    label(volts, "voltage\nV")
    volts.set_xlabel("charge drawn, A·h", fontsize=9)
    volts.set_xlim(left=0)
    label(current, "current\nA")
    current.set_xlabel(f"{unit} since the start", fontsize=9)
    current.set_xlim(left=0)
    current.set_ylim(bottom=0)
    return made


def residuals(done: Sequence[Calibrated]) -> Figure:
    """Errors as they were found and as they are left, and the points' distance from the line."""
    made, axes = figure([1.8, 1.5] * len(done), shared=False)
    for each, above, below in zip(done, axes[::2], axes[1::2], strict=True):
        unit = "V" if each.of == "voltage" else "A"
        above.axhline(0, color=GREY, linewidth=0.8)
        found = [1000 * pair.error for pair in each.found]
        true = [pair.true for pair in each.found]
        above.plot(true, found, "o-", color=COLOURS[1], markersize=4, linewidth=0.9, label="as found")
        left = [one.pair.true for one in each.verified]
        errors = [1000 * one.pair.error for one in each.verified]
        expanded = [1000 * one.expanded for one in each.verified]
        above.errorbar(left, errors, yerr=expanded, fmt="s", color=COLOURS[0], markersize=4, capsize=3,
                       linewidth=1.0, label="verified, with uncertainty")  # fmt: skip
        above.legend(fontsize=8, frameon=False, loc="lower right", bbox_to_anchor=(1.0, 0.97), ncols=2)
        label(above, f"{each.of}\nerror\nm{unit}")
        below.axhline(0, color=GREY, linewidth=0.8)
        rest = [1000 * value for value in each.correction.residuals]
        below.plot(true, rest, "o", color=COLOURS[2], markersize=4)
        label(below, f"from the\nline, m{unit}")
        below.set_xlabel(f"meter, {unit}", fontsize=9)
        below.margins(y=0.2)
    return made


def sweep(result: Swept) -> Figure:
    """Voltage and power against current, and the step response if there is one."""
    made, axes = figure([2.2, 1.4, *((1.4, 1.8) if result.step is not None else ())], shared=False)
    amps = [each.amperes for each in result.points]
    axes[0].plot(amps, [each.volts for each in result.points], "o", color=COLOURS[0], markersize=4)
    if result.regulation is not None:
        open_volts, ohms = result.regulation.open_volts, result.regulation.ohms.value
        ends = [amps[0], amps[-1]]
        axes[0].plot(ends, [open_volts - ohms * each for each in ends], color=COLOURS[0], linewidth=1.0,
                     label=f"{open_volts:.3f} V behind {1000 * ohms:.1f} mΩ")  # fmt: skip
        axes[0].legend(fontsize=8.5, frameon=False, loc="upper right")
    label(axes[0], "voltage\nV")
    axes[1].plot(
        amps, [each.watts for each in result.points], "o-", color=COLOURS[3], markersize=4, linewidth=1
    )
    label(axes[1], "power\nW")
    axes[1].set_xlabel("current, A", fontsize=9)
    if result.step is not None:
        at = [1e6 * each for each in result.step.seconds]
        axes[2].plot(at, result.step.amperes, "o-", color=COLOURS[1], markersize=3, linewidth=1.1)
        label(axes[2], "step\nA")
        axes[3].plot(at, result.step.volts, "o-", color=COLOURS[0], markersize=3, linewidth=1.1)
        axes[3].axhline(result.step.after, color=GREY, linewidth=0.8, linestyle=(0, (4, 3)))
        label(axes[3], "answer\nV")
        axes[3].set_xlabel("microseconds from the edge", fontsize=9)
    return made
