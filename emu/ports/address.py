"""The URL of an instrument in the host's own process: `emu://NAME?bench=...&seed=...`.

Its parameters are `PARAMETERS`.
"""

from dataclasses import dataclass
from importlib import resources
from pathlib import Path
from urllib.parse import parse_qsl, unquote

from wirevow.emu.ports.interface import Instrument
from wirevow.protocol.errors import WirevowError

SCHEME = "emu://"
PARAMETERS = ("bench", "seed", "fault", "name", "firmware", "dialect", "coverage")


class AddressError(WirevowError):
    """An `emu://` URL that leads nowhere: what is wrong with it, and what to write."""


@dataclass(frozen=True, slots=True)
class Address:
    """What a URL says.

    `document` and `bench` are names of ready ones, or paths (with a slash, or ending in `.yaml`).
    Instruments are one per opened URL, except that all URLs with the same `name` mean the same one.
    """

    document: str
    bench: str | None = None
    seed: int = 0
    fault: str | None = None
    name: str | None = None
    firmware: str | None = None
    """What runs instead of the simulated instrument, as `wirevow emulate --firmware` takes it."""
    dialect: str | None = None
    """The syntax of its own that the simulated instrument speaks."""
    coverage: bool = False
    """Whether the firmware tells what of it has been reached (`check --coverage`); it is slower then."""


def parse(url: str) -> Address:
    """Read a URL. Raises AddressError."""
    if not url.lower().startswith(SCHEME):
        raise AddressError(f"write {SCHEME}NAME, for example {SCHEME}tarn?seed=7")
    where, _, query = url[len(SCHEME) :].partition("?")
    document = unquote(where)
    if len(document) > 1 and not document.endswith(".yaml"):
        document = document.rstrip("/")  # some programs append one
    if not document:
        raise AddressError(f"no document is named; write {SCHEME}tarn, or a path such as {SCHEME}./mine.yaml")
    given: dict[str, str] = {}
    for key, value in parse_qsl(query, keep_blank_values=True):
        if key not in PARAMETERS:
            raise AddressError(f"there is no parameter {key!r}; there are {', '.join(PARAMETERS)}")
        if key in given or not value:
            raise AddressError(f"{key} needs one value")
        given[key] = value
    seed = given.get("seed", "0")
    if not (seed.isascii() and seed.isdigit() and len(seed) <= 18):
        raise AddressError(f"seed is a whole number, not {seed!r}")
    if "fault" in given and "firmware" in given:
        raise AddressError("fault breaks the simulated instrument, not firmware: leave one out")
    if "dialect" in given and "firmware" in given:
        raise AddressError("dialect is for the simulated instrument, not firmware: leave one out")
    if given.get("coverage", "yes") != "yes" or ("coverage" in given and "firmware" not in given):
        raise AddressError("coverage is yes, and of firmware: name that as well, or leave it out")
    return Address(
        document,
        given.get("bench"),
        int(seed),
        given.get("fault"),
        given.get("name"),
        given.get("firmware"),
        given.get("dialect"),
        "coverage" in given,
    )


def find(name: str, folder: str = "") -> Path:
    """The file of a ready document (`tarn`) or bench, or of a path. Raises AddressError."""
    if "/" in name or "\\" in name or name.endswith(".yaml"):
        return Path(name)
    # In the package `spec` or the folder it is made of: both are files, which is what the loader reads.
    ready = resources.files("wirevow.spec")
    if folder:  # some versions of Python do not join an empty name
        ready = ready.joinpath(folder)
    path = Path(str(ready.joinpath(f"{name}.yaml")))
    if not path.is_file():
        files = [Path(file.name) for file in ready.iterdir()] if ready.is_dir() else []
        known = ", ".join(sorted(file.stem for file in files if file.suffix == ".yaml")) or "none"
        what = folder.removesuffix("s") or "document"
        raise AddressError(
            f"there is no ready {what} {name!r} (there are: {known}); a path has a slash or ends in .yaml"
        )
    return path


def make(address: Address) -> tuple[Instrument, int]:
    """An instrument as the URL says, and the baud rate of its document. Raises WirevowError."""
    from wirevow.emu.faults import build_instrument
    from wirevow.emu.plant.registry import fitted, wired
    from wirevow.protocol.document.load import load_document
    from wirevow.protocol.vow import compile_vow

    document = fitted(load_document(find(address.document)))
    bench = None if address.bench is None else wired(find(address.bench, "bench"), document)
    vow = compile_vow(document)
    if address.firmware is not None:
        from wirevow.emu.firmware.run import run_firmware

        return run_firmware(vow, address.firmware, bench, address.seed, address.coverage), document.wire.baud
    if address.dialect is not None:
        from wirevow.emu.speaking import speaking
        from wirevow.protocol.dialect.file import load_phrasebook

        book = load_phrasebook(find(address.dialect, "dialects"), vow)
        return speaking(book, bench, address.seed, address.fault), document.wire.baud
    return build_instrument(vow, bench, address.seed, address.fault), document.wire.baud
