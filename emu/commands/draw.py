"""`wirevow draw`: pictures of a document, of the simulated instrument at work, and of what was recorded."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import click

from wirevow.protocol.errors import WirevowError
from wirevow.protocol.figures import drawable, save

if TYPE_CHECKING:
    from matplotlib.figure import Figure

    from wirevow.emu.bench import Bench
    from wirevow.protocol.document.model import Document


def _loaded(doc: str, bench: str) -> tuple[Document, Bench]:
    from wirevow.emu.plant.registry import fitted, wired
    from wirevow.emu.ports.address import find
    from wirevow.protocol.document.load import load_document

    document = fitted(load_document(find(doc)))
    return document, wired(find(bench, "bench"), document)


def _drawable(_context: click.Context, _option: click.Parameter, file: Path) -> Path:
    return drawable(file)


@click.group(name="draw")
def command() -> None:
    """Draw an instrument: what its document says, the simulation at work, or what was recorded."""


FILE = click.argument("file", type=click.Path(dir_okay=False, path_type=Path), callback=_drawable)
DOC = click.option("--doc", default="tarn", show_default=True, help="Document of the instrument.")


@command.command("states")
@DOC
@click.argument("file", type=click.Path(dir_okay=False, path_type=Path))
def draw_states(doc: str, file: Path) -> None:
    """Draw the states and what leads from one to another into FILE (svg).

    Example: wirevow draw states states.svg --doc brae
    """
    from wirevow.emu.loading import load
    from wirevow.emu.pictures import states
    from wirevow.protocol.outputs import write

    if file.suffix.lower() != ".svg":
        raise WirevowError(f"{file}: states are drawn as SVG: write a name that ends in .svg")
    write(file, states(load(doc)))
    click.echo(f"wrote {file}")


@command.command("limits")
@DOC
@FILE
def draw_limits(doc: str, file: Path) -> None:
    """Draw where limits and trips leave room, at the default settings, into FILE (png, svg or pdf).

    Example: wirevow draw limits limits.png
    """
    from wirevow.emu.loading import load
    from wirevow.emu.pictures import plane

    vow = load(doc)
    made = plane(vow)
    if made is None:
        raise WirevowError(
            f"{vow.identity[0]} holds no voltage and current against limits: draw a document that does"
        )
    _save(made, file)


@command.command("cooling")
@DOC
@FILE
def draw_cooling(doc: str, file: Path) -> None:
    """Draw the fan's duty and the derating over temperature into FILE (png, svg or pdf).

    Example: wirevow draw cooling cooling.png
    """
    from wirevow.emu.loading import load
    from wirevow.emu.pictures import cooling

    vow = load(doc)
    _save(cooling(vow), file)


@command.command("times")
@FILE
@click.argument("reports", metavar="REPORT...", nargs=-1, required=True, type=click.Path(path_type=Path))
def draw_times(file: Path, reports: tuple[Path, ...]) -> None:
    """Draw reply times into FILE, from up to four reports that `wirevow check --json` wrote.

    \b
      wirevow draw times times.png old.json new.json
    """
    from wirevow.protocol.figures import COLOURS
    from wirevow.protocol.report.past import read_past
    from wirevow.protocol.report.pictures import reply_times

    if len(reports) > len(COLOURS):
        raise WirevowError(f"{len(reports)} reports are too many for one picture: {len(COLOURS)} at most")
    _save(reply_times([(str(report), read_past(report)) for report in reports]), file)


@command.command("recording")
@FILE
@click.argument("journal", type=click.Path(path_type=Path))
@click.option("--name", metavar="PATTERN", default="*", show_default=True, help="Points to draw: 'input.*'.")
def draw_recording(file: Path, journal: Path, name: str) -> None:
    """Draw what was read over time into FILE, from a JOURNAL that `wirevow record` wrote.

    \b
      wirevow draw recording bench.png bench.journal --name "input.*"
    """
    from wirevow.protocol.journal.pictures import readings
    from wirevow.protocol.journal.reading import Journal

    _save(readings(Journal(journal), name), file)


@command.command("discharge")
@DOC
@click.option("--bench", default="lithium-pack", show_default=True, help="What is wired to it.")
@click.option("--amps", default=2.5, show_default=True, type=click.FloatRange(0.01, 100.0), help="Level.")
@click.option(
    "--cut-off", default=9.0, show_default=True, type=click.FloatRange(0.1, 100.0), help="End, in V."
)
@click.option("--seed", default=1, show_default=True, help="Of the converters' noise.")
@FILE
def draw_discharge(doc: str, bench: str, amps: float, cut_off: float, seed: int, file: Path) -> None:
    """Draw a capacity run into FILE (png, svg or pdf).

    Example: wirevow draw discharge battery.png
    """
    from wirevow.emu.plant.pictures import discharge

    _save(discharge(*_loaded(doc, bench), amps, cut_off, seed), file)


@command.command("swing")
@DOC
@click.option("--bench", default="thin-leads", show_default=True, help="What is wired to it.")
@click.option(
    "--low", default=1.0, show_default=True, type=click.FloatRange(0.0, 100.0), help="Lower level, A."
)
@click.option(
    "--high", default=4.0, show_default=True, type=click.FloatRange(0.0, 100.0), help="Upper level, A."
)
@click.option("--slew", default=1e5, show_default=True, type=click.FloatRange(1e4, 1e7), help="Slew, A/s.")
@click.option("--seed", default=1, show_default=True, help="Of the converters' noise.")
@FILE
def draw_swing(doc: str, bench: str, low: float, high: float, slew: float, seed: int, file: Path) -> None:
    """Draw the edges of a swing into FILE (png, svg or pdf).

    Example: wirevow draw swing edges.png
    """
    from wirevow.emu.plant.pictures import swing

    _save(swing(*_loaded(doc, bench), low, high, slew, seed), file)


@command.command("runs")
@FILE
@click.argument("logs", metavar="LOG...", nargs=-1, required=True, type=click.Path(path_type=Path))
def draw_runs(file: Path, logs: tuple[Path, ...]) -> None:
    """Compare up to four discharges in one picture, FILE, from their logs (or the folders of them).

    Example: wirevow draw runs build/both.png build/pack build/fast
    """
    from wirevow.protocol.figures import COLOURS
    from wirevow.protocol.jobs.pictures import compared
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


def _save(made: Figure, file: Path) -> None:
    save(made, file)
    click.echo(f"wrote {file}")
