"""`wirevow sweep`: a source under test, over the range that a person declares."""

from __future__ import annotations

import json
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from wirevow.emu.commands.jobs import Progress, consent, folder, loaded, named_points
from wirevow.protocol.errors import WirevowError

if TYPE_CHECKING:
    from wirevow.protocol.jobs.page import Page
    from wirevow.protocol.jobs.parts import Parts
    from wirevow.protocol.jobs.regulation import Point
    from wirevow.protocol.jobs.sweeping import Range, Swept


@click.command("sweep")
@click.argument("doc")
@click.argument("port")
@click.option("--from", "low", default=0.0, show_default=True, type=float, help="Least current, A.")
@click.option("--to", "high", required=True, type=float, help="Greatest current, A; the source can give it.")
@click.option("--points", default=11, show_default=True, type=int, help="How many levels.")
@click.option("--least-volts", required=True, type=float, help="Stop where the source falls below this.")
@click.option("--most-watts", required=True, type=float, help="Never ask for more than this.")
@click.option("--settle", default=0.3, show_default=True, type=float, help="Seconds at each level first.")
@click.option("--step", is_flag=True, help="Also capture the response to a step over the range.")
@click.option("--out", metavar="FOLDER", help="Keep table, picture and report there.")
@click.option("--json", "as_json", is_flag=True, help="Print the result as JSON.")
@click.option("--yes", is_flag=True, help="The cautions have been read; do not ask.")
@named_points("voltage", "current", "level", "mode", "start")
def command(
    doc: str, port: str, named: dict[str, str | None], out: str | None, as_json: bool, yes: bool, **asked: Any
) -> int:
    """Load the source at PORT over a range of currents: regulation, internal resistance, step response.

    Exit status: 0 if every level was reached, 1 if a limit ended it.

    \b
    Example:  wirevow sweep tarn "emu://tarn?bench=usb-sagging" --to 2 --least-volts 4 \\
                  --most-watts 12 --step --out build/usb
    """
    from wirevow.emu.connecting import connect
    from wirevow.protocol.jobs.box import RECONNECT_S
    from wirevow.protocol.jobs.parts import Parts
    from wirevow.protocol.jobs.sweeping import Range, Sweep, check_range

    vow = loaded(doc)
    parts = Parts(vow, named)
    wanted = Range(
        asked["low"], asked["high"], asked["points"], asked["least_volts"], asked["most_watts"],
        asked["settle"], asked["step"],
    )  # fmt: skip
    check_range(parts, wanted)
    where = folder(out)
    consent(port, _declared(wanted), yes)
    progress = Progress(quiet=False)

    def tell(point: Point) -> None:
        progress.say(lambda: f"{point.level:.3f} A: {point.volts:.4f} V, {point.watts:.2f} W")

    try:
        with connect(port, vow, reconnect=RECONNECT_S) as client:
            result = Sweep(client, parts, wanted, tell).run()
    finally:
        progress.done()
    found = _json(result, wanted, " ".join(vow.identity))
    if as_json:
        click.echo(json.dumps(found, indent=2))
    else:
        _say(result)
    if where is not None:
        _keep(where, result, wanted, parts, found)
        if not as_json:
            click.echo(f"kept in    {where}")
    return 0 if result.stopped is None else 1


def _declared(wanted: Range) -> str:
    return (
        f"Declared by you: a source that can give {wanted.high:g} A, at least {wanted.least_volts:g} V and at"
        f" most {wanted.most_watts:g} W."
    )


def _json(result: Swept, wanted: Range, document: str) -> dict[str, Any]:
    found, step = result.regulation, result.step
    return {
        "document": document,
        "from_amperes": wanted.low,
        "to_amperes": wanted.high,
        "least_volts": wanted.least_volts,
        "most_watts": wanted.most_watts,
        "stopped_by": result.stopped,
        "points": [
            {"level": each.level, "amperes": each.amperes, "volts": each.volts, "watts": each.watts}
            for each in result.points
        ],
        "regulation": None if found is None else found.percent.as_json(),
        "resistance": None if found is None else found.ohms.as_json(),
        "open_volts": None if found is None else found.open_volts,
        "step": None
        if step is None
        else {
            "captures": step.captures,
            "before_volts": step.before,
            "after_volts": step.after,
            "dip_volts": step.dip,
            "recovery_seconds": step.recovery_s,
            "seconds": step.seconds,
            "amperes": step.amperes,
            "volts": step.volts,
        },
        "warnings": list(result.left_over),
    }


def _recovery(seconds: float | None) -> str:
    return "not within the capture" if seconds is None else f"{1e6 * seconds:.0f} us"


def _say(result: Swept) -> None:
    click.echo("   level A    read A    volts V    watts W")
    for each in result.points:
        click.echo(f"{each.level:10.3f}{each.amperes:10.4f}{each.volts:11.4f}{each.watts:11.3f}")
    if result.regulation is not None:
        click.echo(f"regulation {result.regulation.percent}")
        click.echo(f"internal   {result.regulation.ohms}, {result.regulation.open_volts:.4f} V without load")
    if result.step is not None:
        step = result.step
        click.echo(
            f"step       {step.before:.4f} V to {step.after:.4f} V, {1000 * step.dip:.1f} mV below that on"
            f" the way, settled after {_recovery(step.recovery_s)} ({step.captures} captures)"
        )
    if result.stopped is not None:
        click.echo(f"stopped    {result.stopped}")
    for warning in result.left_over:
        click.echo(f"wirevow: {warning}", err=True)


def _keep(where: Path, result: Swept, wanted: Range, parts: Parts, found: dict[str, Any]) -> None:
    from wirevow.protocol import figures
    from wirevow.protocol.jobs import page, pictures
    from wirevow.protocol.outputs import write

    rows = [
        f"{each.level:.6f},{each.amperes:.6f},{each.volts:.6f},{each.watts:.6f}" for each in result.points
    ]
    write(where / "sweep.csv", "\n".join(["level,amperes,volts,watts", *rows, ""]))
    write(where / "sweep.json", json.dumps(found, indent=2) + "\n")
    drawn = None
    if result.points:
        try:
            drawn = pictures.sweep(result)
            figures.save(drawn, where / "sweep.png")
        except WirevowError as error:
            click.echo(f"wirevow: {error.message}", err=True)
    write(where / "sweep.html", page.html(_page(result, wanted, parts), drawn))


def _page(result: Swept, wanted: Range, parts: Parts) -> Page:
    from datetime import date

    from wirevow.protocol.jobs.page import Page, Table

    facts = []
    if result.regulation is not None:
        facts += [
            ("load regulation, of the voltage at the least current", str(result.regulation.percent)),
            ("internal resistance, slope of the line", str(result.regulation.ohms)),
            ("voltage without load, by the line", f"{result.regulation.open_volts:.4f} V"),
        ]
    if result.step is not None:
        step = result.step
        facts += [
            ("step: voltage before and after", f"{step.before:.4f} V, {step.after:.4f} V"),
            ("step: lowest below the end", f"{1000 * step.dip:.1f} mV"),
            ("step: settled within a tenth of it after", _recovery(step.recovery_s)),
            ("step: captures in the mean", str(step.captures)),
        ]
    rows = [
        (f"{each.level:.3f}", f"{each.amperes:.4f}", f"{each.volts:.4f}", f"{each.watts:.3f}")
        for each in result.points
    ]
    tables = [Table("Result", facts), Table("Points", rows, ("level, A", "A", "V", "W"), numbers=True)]
    return Page(
        title=f"A source from {wanted.low:g} A to {wanted.high:g} A",
        subtitle=f"{_declared(wanted)} Through {parts.vow.document.vow.title}; {date.today().isoformat()}.",
        verdict="Every level was reached." if result.stopped is None else f"Stopped: {result.stopped}.",
        good=result.stopped is None,
        tables=tables,
        warnings=result.left_over,
        picture_text="Voltage against current, and the step response.",
    )
