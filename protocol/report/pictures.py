"""A picture of reply times, from the reports of checks."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

from wirevow.protocol.errors import WirevowError
from wirevow.protocol.figures import COLOURS, GREY, figure, label
from wirevow.protocol.report.past import Past

if TYPE_CHECKING:
    from matplotlib.figure import Figure

STYLES = ("solid", "dashed", "dashdot", "dotted")


def reply_times(reports: Sequence[tuple[str, Past]]) -> Figure:
    """What share of the replies came within a time, for each report, against the deadline.

    `reports`: at most four, each with a name. Raises WirevowError for one without reply times.
    """
    made, (panel,) = figure([3.2], title="Reply times")
    for (name, past), colour, style in zip(reports, COLOURS, STYLES, strict=False):
        bins = past.reply_times.bins
        total = sum(each.count for each in bins)
        if past.clock == "held" or not total:
            raise WirevowError(
                f"{name}: it has no reply times, since the clock was held; name a report from a real one"
            )
        counts = [sum(each.count for each in bins[: index + 1]) for index in range(len(bins))]
        times_ms = [1e3 * each.to_seconds for each in bins]
        shares = [100 * count / total for count in counts]
        told = f"{name}: {total} replies, 99 of 100 within {1e3 * past.reply_times.p99_seconds:.3g} ms"
        panel.step([times_ms[0] * 0.4, *times_ms], [0.0, *shares], where="post", color=colour,
                   linestyle=style, linewidth=1.4, label=told)  # fmt: skip
    for deadline in dict.fromkeys(past.reply_deadline_seconds for _, past in reports):
        panel.axvline(1e3 * deadline, color=GREY, linewidth=0.9, linestyle=(0, (4, 3)))
        panel.annotate(f"allowed: {1e3 * deadline:g} ms", (1e3 * deadline, 4), xytext=(-4, 0),
                       textcoords="offset points", fontsize=8, color=GREY, ha="right")  # fmt: skip
    panel.set_xscale("log")
    panel.set_ylim(0, 103)
    panel.legend(fontsize=8, frameon=False, loc="upper left", bbox_to_anchor=(0, 1.18), borderaxespad=0)
    panel.set_xlabel("ms until a reply began, the host's own delays included", fontsize=9)
    label(panel, "share\n%")
    return made
