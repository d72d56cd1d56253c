"""`wirevow draw`: pictures of the simulated instrument at work, and of discharges that were logged."""

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
    from wirevow.emu.plant.pictures import discharge

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
    from wirevow.emu.plant.pictures import swing

    _save(swing(*_loaded(doc, bench), low, high, slew, seed), file)


@command.command("runs")
@click.argument("file", type=click.Path(dir_okay=False, path_type=Path), callback=_drawable)
@click.argument("logs", metavar="LOG...", nargs=-1, required=True, type=click.Path(path_type=Path))
def draw_runs(file: Path, logs: tuple[Path, ...]) -> None:
    """Compare up to four discharges in one picture, FILE, from their logs (or the folders of them).

    \b
      wirevow draw runs both.png build/new build/old
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
