"""Documents for whoever runs something by them: found, vetted and compiled."""

from __future__ import annotations

from os import PathLike

from wirevow.emu.ports.address import find
from wirevow.protocol.document.load import Loaded, load_document
from wirevow.protocol.document.model import Document
from wirevow.protocol.document.vet import vet
from wirevow.protocol.errors import WirevowError
from wirevow.protocol.vow import Vow, compile_vow


def sound(doc: str | PathLike[str]) -> Loaded[Document]:
    """A document that does not contradict itself; no instrument could keep another. Raises WirevowError."""
    loaded = load_document(find(str(doc)))
    errors = vet(loaded).errors
    if errors:
        more = f" (and {len(errors) - 1} more)" if len(errors) > 1 else ""
        raise WirevowError(f"{errors[0].text(loaded.name)}{more}; `wirevow vet {loaded.name}` shows all")
    return loaded


def load(doc: str | PathLike[str]) -> Vow:
    """The document in a file, or a ready one by name, vetted and made ready to run. Raises WirevowError."""
    return compile_vow(sound(doc).document)
