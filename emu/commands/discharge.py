"""`wirevow discharge`: a battery's capacity, energy and internal resistance."""

from __future__ import annotations

import json
import shutil
import sys
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from wirevow.emu.commands.jobs import Progress, consent, duration, folder, loaded, named_points
from wirevow.emu.live import curve
from wirevow.protocol.errors import WirevowError

if TYPE_CHECKING:
    from wirevow.protocol.jobs.discharging import Plan, Result
    from wirevow.protocol.jobs.page import Page
    from wirevow.protocol.jobs.parts import Parts
    from wirevow.protocol.jobs.runlog import Row, Run

_PLUS = click.FloatRange(min=0, min_open=True)


@click.command("discharge")
@click.argument("doc")
@click.argument("port")
@click.option("--chemistry", required=True, help="Declared by you: lithium-ion, lead-acid, ...")
@click.option("--cells", required=True, type=int, help="Cells in series, declared by you.")
@click.option("--cut-off", type=float, help="Volts of ONE cell at which to end; else what is usual.")
@click.option("--rated", type=float, help="Rated capacity in A.h, as printed on the battery.")
@click.option("--amps", type=_PLUS, help="Discharge at this current.")
@click.option("--watts", type=_PLUS, help="... or at this power.")
@click.option("--ohms", type=_PLUS, help="... or into this resistance.")
@click.option("--every", default=1.0, show_default=True, type=_PLUS, help="Seconds from row to row.")
@click.option("--pulses", is_flag=True, help="Measure the internal resistance (IEC 61960-3, direct method).")
@click.option("--rest-every", type=_PLUS, help="Rest after so many minutes under load.")
@click.option("--rest", type=_PLUS, default=10.0, show_default=True, help="Minutes of each rest.")
@click.option("--most-minutes", type=_PLUS, help="End after this time.")
@click.option("--most-ah", type=_PLUS, help="End when this charge is out.")
@click.option("--most-wh", type=_PLUS, help="End when this energy is out.")
@click.option("--most-celsius", type=float, help="End when the box's temperature reaches this.")
@click.option("--most-step", type=_PLUS, help="End when the voltage steps by this, in V.")
@click.option("--most-silence", type=_PLUS, default=10.0, show_default=True, help="Give up after so many s.")
@click.option("--ambient", type=float, help="Cel around the battery, declared by you.")
@click.option("--rested", type=float, help="Hours since it was fully charged, declared by you.")
@click.option("--out", metavar="FOLDER", help="Keep log, picture and report there.")
@click.option("--resume", is_flag=True, help="Go on with the log in the folder.")
@click.option("--json", "as_json", is_flag=True, help="Print the result as JSON.")
@click.option("--yes", is_flag=True, help="The cautions have been read; do not ask.")
@named_points("voltage", "current", "temperature", "level", "mode", "start")
def command(
    doc: str,
    port: str,
    named: dict[str, str | None],
    out: str | None,
    resume: bool,
    as_json: bool,
    yes: bool,
    **asked: Any,
) -> int:
    """Discharge the battery at PORT through the instrument of DOC, and measure it.

    Exit status: 0 if it ended as asked (cut-off, time, charge, energy), 1 if something else ended it.
    On emu:// hours pass in seconds:

    \b
    Example:  wirevow discharge tarn "emu://tarn?bench=lithium-pack" --chemistry lithium-ion \\
                  --cells 3 --cut-off 3.0 --rated 5 --amps 2.5 --out build/pack
    """
    from wirevow.emu.connecting import connect
    from wirevow.protocol.jobs.box import RECONNECT_S
    from wirevow.protocol.jobs.discharging import Course, check_plan
    from wirevow.protocol.jobs.parts import Parts
    from wirevow.protocol.jobs.runlog import Log, Run, read

    vow = loaded(doc)
    parts = Parts(vow, named)
    plan = _plan(asked)
    check_plan(parts, plan)
    where = folder(out)
    if resume and where is None:
        raise WirevowError("--resume needs the folder of the log: give --out FOLDER")
    about = {"document": " ".join(vow.identity), **plan.about()}
    earlier: list[Row] = []
    log_file = None if where is None else where / "run.csv"
    if resume and log_file is not None:
        run = read(log_file)
        _same(run, about, log_file)
        earlier = run.rows
    consent(port, _declared(plan), yes)
    progress = Progress(quiet=False)

    seen = [row for row in earlier if row.settled]

    def tell(row: Row, left: float | None) -> None:
        if row.settled:
            seen.append(row)
        progress.say(lambda: _line(row, left), lambda: _curve(seen))

    with connect(port, vow, reconnect=RECONNECT_S) as client:
        if log_file is None:
            result = Course(client, parts, plan, tell=tell, earlier=earlier).run()
        else:
            with Log(log_file, None if resume else about) as log:
                result = Course(client, parts, plan, add=log.add, tell=tell, earlier=earlier).run()
    progress.done()
    found = _json(about, result)
    if as_json:
        click.echo(json.dumps(found, indent=2))
    else:
        _say(result)
    if where is not None:
        _keep(where, Run(about, result.rows), result, plan, parts, found)
        if not as_json:
            click.echo(f"kept in   {where}")
    return 0 if result.done else 1


def _plan(asked: dict[str, Any]) -> Plan:
    from wirevow.protocol.jobs.battery import declared
    from wirevow.protocol.jobs.discharging import Plan
    from wirevow.protocol.jobs.stopping import Limits

    levels = [
        (mode, asked[key])
        for mode, key in (("current", "amps"), ("power", "watts"), ("resistance", "ohms"))
        if asked[key] is not None
    ]
    if len(levels) != 1:
        raise click.UsageError("say how to discharge it: exactly one of --amps, --watts and --ohms.")
    minutes, pause = asked["most_minutes"], asked["rest_every"]
    return Plan(
        battery=declared(asked["chemistry"], asked["cells"], asked["cut_off"], asked["rated"]),
        mode=levels[0][0],
        level=levels[0][1],
        every_s=asked["every"],
        pause_every_s=None if pause is None else 60.0 * pause,
        pause_s=60.0 * asked["rest"],
        pulses=asked["pulses"],
        limits=Limits(
            None if minutes is None else 60.0 * minutes,
            asked["most_ah"],
            asked["most_wh"],
            asked["most_celsius"],
            asked["most_step"],
            asked["most_silence"],
        ),
        ambient=asked["ambient"],
        rested_h=asked["rested"],
    )


def _same(run: Run, about: dict[str, Any], file: Path) -> None:
    for key, value in about.items():
        if run.about.get(key) != value:
            raise WirevowError(
                f"{file}: it is of another run ({key} is {run.about.get(key)}, not {value}): say the same"
                " again,"
                " or begin another in another folder"
            )
    if not run.rows:
        raise WirevowError(f"{file}: it has no rows: delete it and start anew")


def _declared(plan: Plan) -> str:
    battery = plan.battery
    from wirevow.protocol.jobs.parts import MODES

    return (
        f"Declared by you: {battery.cells} {battery.chemistry} cells in series, discharged at {plan.level:g}"
        f" {MODES[plan.mode]} down to {battery.cut_off:g} V a cell, {battery.lowest:g} V at the terminals."
    )


def _line(row: Row, left: float | None) -> str:
    rest = "" if left is None else f", about {duration(left)} left"
    return (
        f"{row.phase:5} {duration(row.seconds)}: {row.volts:.3f} V, {row.amperes:.3f} A,"
        f" {row.ampere_hours:.4f} A.h{rest}"
    )


def _curve(rows: list[Row]) -> list[str]:
    """The voltage so far, where the terminal can show it."""
    width = shutil.get_terminal_size().columns
    seconds, volts = [row.seconds for row in rows], [row.volts for row in rows]
    return curve(seconds, volts, "voltage", "V", width, sys.stderr.encoding)


def _json(about: dict[str, Any], result: Result) -> dict[str, Any]:
    return {
        **about,
        "ended_by": result.reason,
        "ended_text": result.text,
        "seconds": result.totals.seconds,
        "charge": result.totals.charge.as_json(),
        "energy": result.totals.energy.as_json(),
        "counted_ampere_hours": result.counted,
        "rated_capacity_conditions": [_condition(each) for each in result.conditions],
        "resistances": [
            {
                "drawn_ampere_hours": drawn,
                "method": each.method,
                "after": each.title,
                "ohms": each.ohms.as_json(),
                "conditions": [_condition(one) for one in each.conditions],
            }
            for drawn, each in result.resistances
        ],
        "resistances_not_measured": [{"method": each.method, "why": each.why} for each in result.unmeasured],
        "warnings": list(result.left_over),
    }


def _condition(condition: Any) -> dict[str, Any]:
    return {"asks": condition.asks, "was": condition.was, "met": condition.met}


def _say(result: Result) -> None:
    from wirevow.protocol.jobs.capacity import named_after

    click.echo(f"ended     {result.reason}: {result.text}")
    click.echo(f"charge    {result.totals.charge}")
    click.echo(f"energy    {result.totals.energy}")
    if result.counted is not None:
        click.echo(f"counted   {result.counted:.4f} A.h, by the box itself")
    for drawn, each in result.resistances:
        lacks = f": {each.unmet}" if each.unmet else ""
        click.echo(f"internal  {each.ohms} after {drawn:.3f} A.h, {each.title}{lacks}")
    for method in result.unmeasured:
        click.echo(f"internal  {method}")
    standard = named_after(result.conditions)
    click.echo(f"capacity  {'after ' + standard if standard else 'not after a standard: ' + _unmet(result)}")
    for warning in result.left_over:
        click.echo(f"wirevow: {warning}", err=True)


def _unmet(result: Result) -> str:
    return "; ".join(f"{each.asks} ({each.was})" for each in result.conditions if not each.met)


def _keep(where: Path, run: Run, result: Result, plan: Plan, parts: Parts, found: dict[str, Any]) -> None:
    """Result, table, picture and page beside the log. What an extra is missing for is told."""
    from wirevow.protocol import figures
    from wirevow.protocol.jobs import page, pictures
    from wirevow.protocol.jobs.runlog import write_parquet
    from wirevow.protocol.outputs import write

    write(where / "run.json", json.dumps(found, indent=2) + "\n")
    drawn = None
    try:
        drawn = pictures.discharge(run)
        figures.save(drawn, where / "run.png")
        write_parquet(run, where / "run.parquet")
    except WirevowError as error:
        click.echo(f"wirevow: {error.message}", err=True)
    write(where / "run.html", page.html(_page(result, plan, parts), drawn))


def _page(result: Result, plan: Plan, parts: Parts) -> Page:
    from datetime import date

    from wirevow.protocol.jobs.capacity import named_after
    from wirevow.protocol.jobs.page import Page, Table

    totals, battery = result.totals, plan.battery
    standard = named_after(result.conditions)
    found = [
        ("charge", str(totals.charge)),
        ("energy", str(totals.energy)),
        ("mean voltage", f"{totals.energy.value / max(totals.charge.value, 1e-12):.3f} V"),
        ("time looked at", duration(totals.seconds)),
    ]
    if result.counted is not None:
        found.append(("the box's own counter", f"{result.counted:.4f} A.h"))
    if battery.rated_ah is not None:
        found.append(("of the rated capacity", f"{100 * totals.charge.value / battery.rated_ah:.1f} %"))
    tables = [Table("Result", found)]
    if result.resistances:
        tables.append(
            Table(
                "Internal resistance",
                [(each.title, f"{drawn:.3f} A.h", str(each.ohms)) for drawn, each in result.resistances],
                ("method", "after", "resistance"),
            )
        )
        tables += [
            Table(
                f"Conditions of the {each.method} method, after {drawn:.3f} A.h"
                f" ({'all met' if each.named else 'not all met'})",
                [(one.asks, one.was, "yes" if one.met else "no") for one in each.conditions],
                ("asked", "was", "met"),
            )
            for drawn, each in result.resistances[:1]
        ]
    causes = [
        (cause, f"{1000 * part:.3f} mA.h")
        for cause, part in totals.charge.causes
        if part > 1e-3 * totals.charge.u
    ]
    tables.append(
        Table("Standard uncertainty of the charge", causes, ("cause", "contribution"), numbers=True)
    )
    tables.append(
        Table(
            f"Conditions of a rated capacity ({'all met' if standard else 'not all met'})",
            [(each.asks, each.was, "yes" if each.met else "no") for each in result.conditions],
            ("asked", "was", "met"),
        )
    )
    return Page(
        title=f"Discharge of {battery.cells} {battery.chemistry} cells"
        + (f" ({standard})" if standard else ""),
        subtitle=f"{_declared(plan)} Through {parts.vow.document.vow.title}; {date.today().isoformat()}.",
        verdict=f"Ended by {result.reason}: {result.text}.",
        good=result.done,
        tables=tables,
        warnings=result.left_over,
        notes=[f"Internal resistance: {each}." for each in result.unmeasured],
        picture_text="Voltage, current, temperature and charge against time.",
    )
