"""The JSON Schema of a document (draft 2020-12), generated from the model, for editors to check with.

    python -m wirevow.protocol.document.schema      rewrites spec/schema.json

The schema knows shapes, ranges and prose. What depends on other parts of the document (a name that is not
declared, a limit that never binds) is for `wirevow vet`.
"""

from __future__ import annotations

import json
from pathlib import Path
from typing import Annotated, Any, Union

from pydantic import BaseModel, Field, create_model

from wirevow.protocol.document.model import Document
from wirevow.protocol.document.plant import PythonPlant, parameter_models

PATH = Path(__file__).parents[2] / "spec" / "schema.json"


def schema() -> dict[str, Any]:
    """The schema as plain data."""
    generated = _with_plants().model_json_schema(by_alias=True)
    _describe(generated)
    return {
        "$schema": "https://json-schema.org/draft/2020-12/schema",
        "title": "Wirevow document, wire version 1",
        **{key: value for key, value in _tidy(generated).items() if key != "title"},
    }


def _with_plants() -> type[BaseModel]:
    """The document's model with the parameters of every registered plant spelled out."""
    field = Document.model_fields["plant"]
    kinds: Any = Annotated[Union[parameter_models()], Field(discriminator="kind")]  # noqa: UP007
    plant: Any = (kinds | PythonPlant | None, Field(default=None, description=field.description))
    return create_model("Document", __base__=Document, __doc__=Document.__doc__, plant=plant)


def _describe(generated: dict[str, Any]) -> None:
    """Give members that are whole sections the section's own description: an editor shows it with the key."""
    for part in (generated, *generated["$defs"].values()):
        for member in part.get("properties", {}).values():
            reference = member.get("$ref", "").removeprefix("#/$defs/")
            if reference and "description" not in member:
                member["description"] = generated["$defs"][reference]["description"]


def schema_text() -> str:
    """The text of `spec/schema.json`."""
    return json.dumps(schema(), indent=1, ensure_ascii=False, sort_keys=False) + "\n"


def _tidy(node: Any, named: bool = False) -> Any:
    """Without the titles that are made of field names, and with prose in one line.

    `named` says that the keys of `node` are names of a document's members, not words of the schema.
    """
    if isinstance(node, dict):
        tidy = {
            key: _tidy(value, named=key in ("properties", "$defs") and not named)
            for key, value in node.items()
            if named or key != "title"
        }
        return tidy if named else _plain(tidy)
    if isinstance(node, list):
        return [_tidy(value) for value in node]
    return node


def _plain(node: dict[str, Any]) -> dict[str, Any]:
    """Without what is the model's only: an absent member is no null, and a name has the form of names."""
    forms = node.get("anyOf")
    if isinstance(forms, list) and {"type": "null"} in forms:
        kept = [form for form in forms if form != {"type": "null"}]
        rest = {key: value for key, value in node.items() if key != "anyOf"}
        node = {**kept[0], **rest} if len(kept) == 1 and "$ref" not in kept[0] else {"anyOf": kept, **rest}
    if node.get("default", ...) is None or isinstance(node.get("default"), dict):
        del node["default"]
    if "patternProperties" in node:
        node["additionalProperties"] = False
    if isinstance(node.get("description"), str):
        node["description"] = " ".join(node["description"].split())
    return node


if __name__ == "__main__":
    PATH.write_text(schema_text(), encoding="utf-8")
