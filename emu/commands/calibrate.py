"""`wirevow calibrate`: trims from a reference meter, verified, certified, and undone."""

from __future__ import annotations

import importlib.util
import json
from collections.abc import Callable
from datetime import date, datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from wirevow.emu.commands.jobs import consent, folder, loaded, named_points
from wirevow.protocol.errors import WirevowError

if TYPE_CHECKING:
    from wirevow.emu.ports.rig import InstrumentRig
    from wirevow.protocol.jobs.calibrating import Calibrated, Hands
    from wirevow.protocol.jobs.page import Page
    from wirevow.protocol.jobs.parts import Parts

SIMULATED_PERCENT, SIMULATED_OFFSET = 0.002, 0.00002


@click.group("calibrate")
def command() -> None:
    """Correct readings and levels against a reference meter.

    \b
    Example:  wirevow calibrate voltage tarn emu://tarn --from 1 --to 30 --out build/volts
              wirevow calibrate undo build/volts/certificate.json tarn emu://tarn

    On emu:// the meter and the source are simulated. On a real box you type in what your meter shows, or
    name a Python function that reads it: --meter meter.py:volts, where meter.py is for instance

    \b
      import serial
      port = serial.Serial("/dev/ttyUSB1", 9600, timeout=2)
      def volts():
          port.write(b"READ?\\n")
          return float(port.readline())
    """


_OPTIONS: tuple[Callable[[Any], Any], ...] = (
    click.argument("doc"),
    click.argument("port"),
    click.option("--from", "low", required=True, type=float, help="Lower end of the range, V or A."),
    click.option("--to", "high", required=True, type=float, help="Upper end; you vouch for it."),
    click.option("--points", default=9, show_default=True, type=int, help="How many, 5 or more."),
    click.option("--meter", metavar="FILE:NAME", help="A function that reads the meter; else typed in."),
    click.option("--meter-name", default="the meter", help="Its make and serial number."),
    click.option("--meter-percent", type=float, help="Its accuracy: percent of reading ..."),
    click.option("--meter-offset", type=float, help="... plus this, in V or A."),
    click.option("--meter-calibrated", metavar="DATE", help="Its last calibration, YYYY-MM-DD."),
    click.option("--ambient", type=float, help="Cel around the box, declared by you."),
    click.option("--save", is_flag=True, help="Keep the trims in the box's store."),
    click.option("--out", metavar="FOLDER", required=True, help="Where the certificate goes."),
    click.option("--json", "as_json", is_flag=True, help="Print the certificate as JSON."),
    click.option("--yes", is_flag=True, help="The cautions have been read; do not ask."),
)


def _job(function: Any) -> Any:
    """What both quantities take."""
    for option in reversed(_OPTIONS):
        function = option(function)
    return function


@command.command("voltage")
@_job
@click.option("--source", metavar="FILE:NAME", help="A function that sets the source; else you do it.")
@named_points("voltage", "gain", "shift")
def voltage(**given: Any) -> int:
    """Correct the voltage reading. Nothing is energised; you bring the source to each point.

    Example: wirevow calibrate voltage tarn emu://tarn --from 1 --to 30 --out build/volts
    """
    return _calibrate("voltage", **given)


@command.command("current")
@_job
@named_points("current", "voltage", "level", "gain", "shift", "mode", "start")
def current(**given: Any) -> int:
    """Correct the current reading and, where it has trims, the level. The box sinks each point's current.

    Example: wirevow calibrate current tarn emu://tarn --from 0.1 --to 3 --out build/amps
    """
    return _calibrate("current", source=None, **given)


def _calibrate(quantity: str, doc: str, port: str, named: dict[str, str | None], **given: Any) -> int:
    from wirevow.emu.connecting import connected
    from wirevow.protocol.jobs.box import RECONNECT_S
    from wirevow.protocol.jobs.calibrating import Calibration, certificate
    from wirevow.protocol.jobs.parts import Parts
    from wirevow.protocol.jobs.trimming import Meter

    vow = loaded(doc)
    parts = Parts(vow, named)
    simulated = port.startswith("emu://") and given["meter"] is None
    percent, offset, name = given["meter_percent"], given["meter_offset"], given["meter_name"]
    if simulated:
        percent = SIMULATED_PERCENT if percent is None else percent
        offset = SIMULATED_OFFSET if offset is None else offset
        name = "the simulated meter"
    if percent is None or offset is None or percent < 0 or offset < 0:
        raise WirevowError(
            "the meter's accuracy is part of the result: give --meter-percent and --meter-offset"
        )
    meter = Meter(name, percent, offset, _date(given["meter_calibrated"]))
    today = date.today()
    warnings = [] if simulated else meter.warnings(today)
    for warning in warnings:
        click.echo(f"wirevow: {warning}", err=True)
    where = folder(given["out"])
    assert where is not None
    file = where / "certificate.json"
    if file.exists():
        raise WirevowError(f"{file}: there is one already, which can undo what it did; name another folder")
    unit = "V" if quantity == "voltage" else "A"
    declared = f"Declared by you: a source fit for {given['low']:g} {unit} to {given['high']:g} {unit}."
    consent(port, declared, given["yes"])
    with connected(port, vow, reconnect=RECONNECT_S) as (client, rig):
        hands = _hands(rig, parts, quantity, given["meter"], given["source"])
        work = Calibration(client, parts, quantity, meter, hands)
        done = work.run(given["low"], given["high"], given["points"])
        found = certificate(" ".join(vow.identity), meter, done, today, given["ambient"], warnings)
        try:
            _keep(where, found, done, parts)
        except WirevowError:
            work.write({each.of: (each.before["gain"], each.before["shift"]) for each in done})
            raise
        if given["save"] and not work.save():
            click.echo("wirevow: no action of the document saves: the trims last until it boots", err=True)
    if given["as_json"]:
        click.echo(json.dumps(found, indent=2))
    else:
        _say(done, file)
    return 0 if found["verified"] else 1


@command.command("undo")
@click.argument("certificate_file", metavar="CERTIFICATE")
@click.argument("doc")
@click.argument("port")
@click.option("--save", is_flag=True, help="Keep the old trims in the box's store.")
@named_points("voltage", "current", "level", "gain", "shift")
def undo(certificate_file: str, doc: str, port: str, named: dict[str, str | None], save: bool) -> int:
    """Put back the trims that were in force before the calibration of CERTIFICATE.

    Example: wirevow calibrate undo build/volts/certificate.json tarn /dev/ttyUSB0
    """
    from wirevow.emu.connecting import connect
    from wirevow.protocol.jobs.box import RECONNECT_S
    from wirevow.protocol.jobs.calibrating import LAYOUT, Calibration, Hands
    from wirevow.protocol.jobs.parts import Parts
    from wirevow.protocol.jobs.trimming import Meter

    vow = loaded(doc)
    try:
        found = json.loads(Path(certificate_file).read_text("utf-8"))
        ok = found["layout"] == LAYOUT
        corrections = found["corrections"]
        values = {each["of"]: (each["before"]["gain"], each["before"]["shift"]) for each in corrections}
        of_document = found["document"].split()[0]
    except (ValueError, KeyError, TypeError, AttributeError):
        ok = False
    if not ok:
        raise WirevowError(f"{certificate_file}: it is no certificate of a calibration")
    if of_document != vow.identity[0]:
        raise WirevowError(f"{certificate_file}: it is of {of_document}, not of {vow.identity[0]}")
    quantity = "voltage" if "voltage" in values else "current"
    hands = Hands(lambda: 0.0, lambda volts: None, lambda text: None)
    with connect(port, vow, reconnect=RECONNECT_S) as client:
        work = Calibration(client, Parts(vow, named), quantity, Meter("none", 0, 0), hands)
        work.write(values)
        if save:
            work.save()
    for of, (gain, shift) in values.items():
        click.echo(f"{of}: gain {gain:.5f}, shift {shift:.4f} again")
    return 0


def _date(text: str | None) -> date | None:
    if text is None:
        return None
    try:
        return datetime.strptime(text, "%Y-%m-%d").date()
    except ValueError:
        raise WirevowError(f"--meter-calibrated {text}: write a date as 2026-05-31") from None


def _function(where: str) -> Callable[..., Any]:
    """The function NAME in the file FILE of `FILE:NAME`; what it raises is told as a WirevowError."""
    file, _, name = where.rpartition(":")
    if not file or not Path(file).is_file():
        raise WirevowError(f"{where}: write a Python file and a function in it, as meter.py:volts")
    spec = importlib.util.spec_from_file_location(Path(file).stem, file)
    if spec is None or spec.loader is None:
        raise WirevowError(f"{file}: it is no Python file")
    module = importlib.util.module_from_spec(spec)
    try:
        spec.loader.exec_module(module)
        function = getattr(module, name)
    except Exception as error:
        raise WirevowError(f"{file}: {type(error).__name__}: {error}") from error

    def call(*arguments: float) -> Any:
        try:
            return function(*arguments)
        except Exception as error:
            raise WirevowError(f"{where}: {type(error).__name__}: {error}") from error

    return call


def _hands(
    rig: InstrumentRig | None, parts: Parts, quantity: str, meter: str | None, source: str | None
) -> Hands:
    from wirevow.protocol.jobs.calibrating import Hands

    unit = "V" if quantity == "voltage" else "A"
    reads = None if meter is None else _function(meter)
    sets = None if source is None else _function(source)
    if rig is not None:
        signal = (parts.voltage() if quantity == "voltage" else parts.current()).entry.signal
        assert signal is not None
        reads = reads or (lambda: rig.true(signal))
        sets = sets or (lambda volts: rig.bench("source.voltage", volts))
    read = reads

    def by_hand(volts: float) -> None:
        asks = f"  set the source to about {volts:g} V, then press Enter"
        click.prompt(asks, default="", show_default=False, err=True)

    def number() -> float:
        if read is None:
            return float(click.prompt(f"  the meter shows, in {unit}", type=float, err=True))
        value = read()
        if isinstance(value, bool) or not isinstance(value, int | float):
            raise WirevowError(f"{meter}: it gave {value!r}, and a number in {unit} is needed")
        return float(value)

    return Hands(number, sets or by_hand, lambda text: click.echo(text, err=True))


def _say(done: list[Calibrated], file: Path) -> None:
    for each in done:
        click.echo(f"{each.of:8} gain  {each.correction.gain}, was {each.before['gain']:.5f}")
        click.echo(f"{'':8} shift {each.correction.shift}, was {each.before['shift']:.4f}")
        worst = max(each.verified, key=lambda one: abs(one.pair.error) / one.limit)
        verdict = "verified" if each.good else "NOT verified: undo it, and look for the cause"
        click.echo(f"{'':8} {verdict}; worst error {worst.pair.error:+.5f} of {worst.limit:.5f} allowed")
    click.echo(f"kept in  {file}")


def _keep(where: Path, found: dict[str, Any], done: list[Calibrated], parts: Parts) -> None:
    from wirevow.protocol.jobs import page, pictures
    from wirevow.protocol.outputs import write

    drawn = None
    try:
        drawn = pictures.residuals(done)
    except WirevowError as error:
        click.echo(f"wirevow: {error.message}", err=True)
    write(where / "certificate.html", page.html(_page(found, done, parts), drawn))
    # Last: where it is, the trims are in force, and can be undone by it.
    write(where / "certificate.json", json.dumps(found, indent=2) + "\n")


def _page(found: dict[str, Any], done: list[Calibrated], parts: Parts) -> Page:
    from wirevow.protocol.jobs.page import Page, Table

    meter, ambient = found["meter"], found["ambient_celsius"]
    unit = "V" if done[0].of == "voltage" else "A"
    trims = []
    for each in done:
        for word, result in (("gain", each.correction.gain), ("shift", each.correction.shift)):
            before, after = f"{each.before[word]:.5f}", f"{each.after[word]:.5f}"
            trims.append((f"{each.of} {word}", before, after, str(result), f"{result.k:.2f}"))
    tables = [Table("Trims", trims, ("", "before", "in force", "computed", "k"), numbers=True)]
    head = (f"meter, {unit}", f"box, {unit}", "error", "uncertainty", "allowed", "good")
    for each in done:
        rows = []
        for one in each.verified:
            numbers = (one.pair.true, one.pair.seen, one.pair.error, one.expanded, one.limit)
            rows.append((*(f"{number:.5f}" for number in numbers), "yes" if one.good else "no"))
        tables.append(
            Table(f"Verification of the {each.of} at other points ({each.point})", rows, head, numbers=True)
        )
    return Page(
        title=f"Calibration certificate: {' and '.join(each.of for each in done)}",
        subtitle=f"{parts.vow.document.vow.title}; {found['document']}; {found['date']}."
        f" Against {meter['name']}, within {meter['percent']:g} % of reading plus {meter['offset']:g} {unit},"
        f" last calibrated: {meter['calibrated'] or 'not declared'}."
        f" Ambient: {'not declared' if ambient is None else f'{ambient:g} Cel'}.",
        verdict="Verified: every error is within what the document allows."
        if found["verified"]
        else "Not verified: an error is beyond what the document allows.",
        good=found["verified"],
        tables=tables,
        warnings=found["warnings"],
        picture_text="Errors before and after, against the true value.",
    )
