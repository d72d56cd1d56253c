"""`--on`, which all commands have that do much which can be done at once."""

from __future__ import annotations

import click

on_machines = click.option(
    "--on",
    metavar="ADDRESS",
    help="Do it on the workers of the Dask scheduler there, such as tcp://bigger:8786, instead of on this "
    "machine's cores. They need the same Wirevow, and the same files in the same places. Whoever reaches a "
    "scheduler can run programs on its workers, and it on this machine: keep to a network that you trust.",
)
