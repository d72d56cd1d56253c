"""The JSON Schema: in step with the model, valid, and of one mind with the loader on shapes."""

import json
from pathlib import Path
from typing import Any

import jsonschema
import pytest
from ruamel.yaml import YAML

from wirevow.protocol.document.load import DocumentError, read_document
from wirevow.protocol.document.schema import PATH, schema_text

HERE = Path(__file__).parent
SPEC = HERE.parents[1] / "spec"
GOOD = (HERE / "hutch.yaml").read_text(encoding="utf-8")


def plain(text: str) -> Any:
    """A YAML text as an editor's checker sees it: plain data, numbers as floats."""
    return YAML(typ="safe", pure=True).load(text)


@pytest.fixture(scope="module")
def checker() -> jsonschema.Draft202012Validator:
    schema = json.loads(PATH.read_text(encoding="utf-8"))
    jsonschema.Draft202012Validator.check_schema(schema)
    return jsonschema.Draft202012Validator(schema)


def test_the_file_is_what_the_model_generates() -> None:
    assert PATH.read_text(encoding="utf-8") == schema_text(), "run python -m wirevow.protocol.document.schema"


@pytest.mark.parametrize(
    "path", [HERE / "hutch.yaml", SPEC / "tarn.yaml", SPEC / "brae.yaml"], ids=lambda p: p.stem
)
def test_good_documents_are_accepted(checker: jsonschema.Draft202012Validator, path: Path) -> None:
    errors = [error.message for error in checker.iter_errors(plain(path.read_text(encoding="utf-8")))]
    assert errors == []


@pytest.mark.parametrize(
    ("old", "new"),
    [
        ("step: 0.5", "stpe: 0.5"),
        ("energised: true", "energised: maybe"),
        ("idle_typing: 30 s", "idle_typing: 30s"),
        ("version: 0.3.1", "version: '0.3'"),
        ("  wish.warmth:\n", "  Wish.warmth:\n"),
        ("does: [clear_trip]", "does: [clear_tirp]"),
        ("baud: 115200", "baud: 100"),
        ("kind: room", "kind: roum"),
        ("from: mode.kind", "form: mode.kind"),
        ("repeat: once", "repeat: twice"),
        ("default: 20,", "default: [20],"),
    ],
)
def test_what_the_loader_refuses_for_its_shape_the_schema_refuses_too(
    checker: jsonschema.Draft202012Validator, old: str, new: str
) -> None:
    assert old in GOOD
    text = GOOD.replace(old, new, 1)
    with pytest.raises(DocumentError):
        read_document(text)
    assert not checker.is_valid(plain(text))


def test_an_editor_has_words_for_every_member_and_refuses_all_others(
    checker: jsonschema.Draft202012Validator,
) -> None:
    whole = checker.schema
    assert whole["$schema"] == "https://json-schema.org/draft/2020-12/schema"
    sections = {"the document": whole, **whole["$defs"]}
    for name, section in sections.items():
        for key, member in section.get("properties", {}).items():
            assert len(member.get("description", "")) > 6, f"{name}: {key} is not described"
        if "properties" in section and name != "PythonPlant":  # whose parameters are its class's own
            assert section["additionalProperties"] is False, name
    words = {
        ("Point", "access"): {"read", "set"},
        ("Action", "repeat"): {"safe", "once"},
        ("Record", "order"): {"little", "big"},
    }
    for (name, key), expected in words.items():
        assert set(sections[name]["properties"][key]["enum"]) == expected


def test_prose_of_the_model_is_in_the_schema(checker: jsonschema.Draft202012Validator) -> None:
    definitions = checker.schema["$defs"]
    assert definitions["Point"]["properties"]["high"]["description"].startswith("Upper limit")
    assert all("description" in part for part in definitions.values())
