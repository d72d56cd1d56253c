"""Loading: a good document with its marks, and one clear message for each thing that can be wrong."""

from decimal import Decimal
from pathlib import Path

import pytest
from pydantic import BaseModel

from wirevow.protocol.document.load import (
    MOST_BYTES,
    DocumentError,
    Mark,
    load_document,
    load_yaml_model,
    read_document,
    read_yaml,
)

HUTCH = Path(__file__).parent / "hutch.yaml"
GOOD = HUTCH.read_text(encoding="utf-8")


def planted(old: str, new: str) -> tuple[str, int]:
    """The good document with one defect, and the line where the defect begins."""
    assert GOOD.count(old) >= 1, old
    before, after = GOOD.split(old, 1)
    return before + new + after, before.count("\n") + 1


def message(text: str | bytes) -> str:
    with pytest.raises(DocumentError) as caught:
        read_document(text, "it.yaml")
    assert caught.value.exit_code == 2
    return caught.value.message


# ------------------------------------------------------------------------------------------- good documents


def test_a_good_document_loads_with_exact_numbers_and_durations_in_nanoseconds() -> None:
    document = load_document(HUTCH).document
    assert document.vow.name == "hutch"
    assert document.wire.opening.settle == 1_500_000_000
    default = document.points["wish.warmth"].default
    assert isinstance(default, Decimal)
    assert str(default) == "21.0"


def test_every_node_has_the_line_and_column_where_it_is_written() -> None:
    marks = load_document(HUTCH).marks
    lines = GOOD.splitlines()
    for path in marks:
        mark = marks.of(*path)
        rest = lines[mark.line - 1][mark.column - 1 :]
        if path and isinstance(path[-1], str):
            assert rest.lstrip("\"'").startswith(path[-1])
    assert marks.of("points", "wish.warmth") == Mark(52, 3)


def test_a_node_that_is_not_written_has_the_mark_of_its_nearest_parent() -> None:
    marks = load_document(HUTCH).marks
    assert marks.of("points", "wish.warmth", "set_in", 3) == marks.of("points", "wish.warmth")
    assert marks.line("nowhere") == marks.line("vow") == 2


@pytest.mark.parametrize(
    ("text", "value"),
    [
        ("on", "on"),
        ("yes", "yes"),
        ("Off", "Off"),
        ("true", True),
        ("12", 12),
        ("-3", -3),
        ("010", 10),
        ("0x1F", 31),
        ("0o17", 15),
        ("2.500", Decimal("2.500")),
        (".5", Decimal("0.5")),
        ("1e3", Decimal("1E+3")),
        ("12:30", "12:30"),
        ("2024-01-01", "2024-01-01"),
        ("'2.5'", "2.5"),
        ("1_000", "1_000"),
    ],
)
def test_scalars_resolve_by_the_core_schema_of_yaml_1_2(text: str, value: object) -> None:
    # YAML 1.2.2, chapter 10.3.2, "Tag Resolution" of the core schema.
    data = read_yaml(f"a: {text}\n".encode(), "it.yaml").data
    assert data == {"a": value}
    assert type(data["a"]) is type(value)
    assert str(data["a"]) == str(value)


def test_any_model_can_be_loaded(tmp_path: Path) -> None:
    class Shelf(BaseModel):
        width: int

    path = tmp_path / "shelf.yaml"
    path.write_text("width: 3\n")
    assert load_yaml_model(path, Shelf).document == Shelf(width=3)
    path.write_text("width: wide\n")
    with pytest.raises(DocumentError, match=r'shelf.yaml:1: width is "wide": write a whole number'):
        load_yaml_model(path, Shelf)


# ---------------------------------------------------------------------------------------------- model defects


@pytest.mark.parametrize(
    ("old", "new", "said"),
    [
        (
            "{unit: W, step: 0.5",
            "{unit: W, stpe: 0.5",
            'unknown key "stpe" in quantities.power, did you mean "step"?',
        ),
        ("kind: room", "kind: room\n  ceiling: 3", ('unknown key "ceiling" in plant: remove it', 1)),
        ("{unit: W, step: 0.5, low: 0,", "{unit: W, step: 0.5,", 'quantities.power lacks "low": add it'),
        ("energised: true", "energised: maybe", 'states.heating.energised is "maybe": write true or false'),
        ("energised: true", "energised: yes", 'states.heating.energised is "yes": write true or false'),
        ("energised: true", "energised: 1", "states.heating.energised is 1: write true or false"),
        (
            "never_falls: vent.duty, while_rises",
            "rate_of: vent.duty, while_rises",
            "laws.vent: never_falls and while_rises go together",
        ),
        (
            "value: warmth, base: 15.0}",
            "value: warmth, base: 15.0, shown_by: [air.warmth]}",
            "bench.outside: shown_by names air.warmth: say in moves by when it has followed",
        ),
        (
            "never_falls: vent.duty, while_rises: air.warmth",
            "never_falls: vent.duty, while_rises: air.warmth, counted_by: self.boots",
            "counted_by is for alternates: it counts the ends of the second level",
        ),
        (
            "never_falls: vent.duty, while_rises: air.warmth",
            "rate_of: vent.duty",
            "rate_of and at_most go together: name the point that bounds the rate",
        ),
        (
            "never_falls: vent.duty, while_rises: air.warmth",
            "alternates: vent.duty",
            "alternates and phases go together: write both levels and how long each lasts",
        ),
        (
            "never_falls: vent.duty, while_rises: air.warmth",
            "never_falls: vent.duty, while_rises: air.warmth, when: air.warmth > 3",
            "when is for alternates and rate_of: write it into the other laws' formula",
        ),
        ("baud: 115200", "baud: 1152.5", "wire.baud is 1152.5: write a whole number"),
        ("baud: 115200", "baud: true", "wire.baud is true: write a whole number"),
        ("baud: 115200", "baud: 100", "wire.baud is 100: write 300 or more"),
        ("parts: [notices,", "parts: [notice,", 'wire.parts item 1 is "notice", did you mean "notices"?'),
        (
            "idle_typing: 30 s",
            "idle_typing: 30s",
            "a space and one of ns, us, ms, s, min, h: write for example '20 ms'",
        ),
        (
            "version: 0.3.1",
            "version: 0.3",
            "vow.version: a version is three numbers joined by points: write for",
        ),
        ("name: hutch", "name: Hutch", 'vow.name is "Hutch": write a word (a lower-case letter, then'),
        (
            "  wish.warmth:\n",
            "  Wish.warmth:\n",
            '"Wish.warmth" cannot be a name in points: write a name (one to four',
        ),
        (
            "from: mode.kind",
            "form: mode.kind",
            'unknown key "form" in states.heating.outputs.heater, did you mean "from"',
        ),
        (
            "does: [clear_trip]",
            "does: [clear_tirp]",
            'does item 1 is "clear_tirp", did you mean "clear_trip"?',
        ),
        (
            "[{pulse: energy.zero}]",
            "[{pulse: 5}]",
            "does item 1.pulse is 5: write text (in quotes if it looks like",
        ),
        ("[{pulse: energy.zero}]", "pulse", 'actions.energy.zero.does is "pulse": write a list'),
        (
            "when: air.warmth > roof.warmth",
            "when: air.warmth >>",
            "trips.too_warm.when: there are no bit operations",
        ),
        (
            "choice: [gentle, brisk]",
            "choice: [gentle]",
            "points.mode.kind.choice: write 2 of them or more",
        ),
        ("duty: 0.3}", "duty: 1.3}", "fan.levels item 1.duty is 1.3: write 1 or less"),
        ("from: 1}", "from: true}", "records.store.fields item 1.from is true: write text"),
        ("default: 20,", "default: [1],", "points.link.patience.default: expected a number"),
        (", default: 20", "", "points.link.patience: a setting needs a default"),
        ("default: 20,", 'default: "2 0",', "points.link.patience.default"),
    ],
)
def test_a_defect_is_told_once_at_its_line(old: str, new: str, said: str | tuple[str, int]) -> None:
    text, line = planted(old, new)
    words, further = (said, 0) if isinstance(said, str) else said
    lines = message(text).splitlines()
    assert len(lines) == 1
    assert lines[0].startswith(f"it.yaml:{line + further}: ")
    assert words in lines[0]


def test_several_defects_are_told_in_the_order_of_their_lines() -> None:
    text = (
        GOOD.replace("step: 0.5", "stpe: 0.5")
        .replace("baud: 115200", "baud: fast")
        .replace("energised: true", "energised: no")
    )
    told = [line.split(": ", 1)[0] for line in message(text).splitlines()]
    assert told == ["it.yaml:9", "it.yaml:21", "it.yaml:89"]


def test_a_flood_of_defects_is_cut_short() -> None:
    text = GOOD.replace("means:", "mean:")
    lines = message(text).splitlines()
    assert len(lines) == 21
    assert "more" in lines[-1]


def test_messages_have_no_words_of_the_library() -> None:
    for old, new in (
        ("baud: 115200", "baud: fast"),
        ("plant:\n  kind: room", "plant: room"),
        ("vow:", "wov:"),
    ):
        text = message(planted(old, new)[0])
        assert "pydantic" not in text
        assert "Input should" not in text
        assert "http" not in text


# ----------------------------------------------------------------------------------------------- YAML defects


@pytest.mark.parametrize(
    ("old", "new", "said", "further"),
    [
        ("name: hutch", "name: hutch\n  name: again", 'key "name" is here twice: remove one of them', 1),
        ("name: hutch", "name: &n hutch", "anchors are not allowed: remove &n and write values out", 0),
        ("name: hutch", "name: *n", "aliases are not allowed", 0),
        ("name: hutch", "<<: *n", "aliases are not allowed", 0),
        ("name: hutch", "name: !!str hutch", "tags are not allowed", 0),
        ("name: hutch", "name: !python/name:os.system hutch", "tags are not allowed", 0),
        ("name: hutch", "name: .nan", ".nan is not a finite number: write a decimal number", 0),
        ("name: hutch", "name: -.INF", "-.INF is not a finite number", 0),
        ("name: hutch", "name:", '"name" is empty: write a value, or remove it', 0),
        ("name: hutch", "name: ~", '"name" is empty', 0),
        ("name: hutch", "name: hutch\n  list: [a,\n    ~]", "an item is empty", 2),
        ("name: hutch", "name: a: b", 'a second ": " in the line', 0),
        ("name: hutch", "name: 'hutch", "this is not YAML (found unexpected end of stream)", 0),
        ("name: hutch", "name: [hutch", "this is not YAML", 1),
        ("name: hutch", "\tname: hutch", "a tab where YAML wants spaces: indent with spaces", 0),
        ("name: hutch", "? [a]\n  : b", "a key is one word or name: write 'key: value'", 0),
        ("name: hutch", "12: hutch", "a key is a word, and 12 is none", 0),
        ("name: hutch", "true: hutch", "a key is a word, and true is none", 0),
        ("plant:\n", "---\nplant:\n", "a second document begins here", 0),
        ("name: hutch", "name: hut\x00ch", "character U+0000 is not text: remove it", 0),
        ("name: hutch", "name: hut\x85ch", "character U+0085 is not text: remove it", 0),
    ],
)
def test_yaml_that_a_document_does_not_need_is_refused_at_its_line(
    old: str, new: str, said: str, further: int
) -> None:
    text, line = planted(old, new)
    lines = message(text).splitlines()
    assert len(lines) == 1
    assert lines[0].startswith(f"it.yaml:{line + further}: ")
    assert said in lines[0]


@pytest.mark.parametrize(
    ("content", "said"),
    [
        (b"", "it.yaml: the file is empty: write a document in it"),
        (b" \n\n", "it.yaml: the file is empty"),
        (b"# nothing but a comment\n", "it.yaml:1: the document is empty: write a mapping"),
        (b"5\n", "it.yaml:1: the document is 5: write a mapping (lines of key: value)"),
        (b"- a\n", "it.yaml:1: the document: write a mapping (lines of key: value)"),
        (
            b"\xef\xbb\xbfvow: 1\n",
            "it.yaml:1: the file begins with a byte order mark: save it as UTF-8 without one",
        ),
        ("vow: 1\n".encode("utf-16"), "it.yaml:1: the file begins with a byte order mark"),
        (b"a: 1\nb: \xff\n", "it.yaml:2: byte 0xFF is not UTF-8: save the file as UTF-8"),
        (b"a: 1\n" * (MOST_BYTES // 5 + 1), "it.yaml: the file is larger than 256 kB"),
        (b"%YAML 2.0\n---\na: 1\n", "it.yaml"),
        (b"%YAML one\n---\na: 1\n", "it.yaml"),
    ],
)
def test_content_that_is_no_document(content: bytes, said: str) -> None:
    lines = message(content).splitlines()
    assert len(lines) == 1
    assert lines[0].startswith(said)


def test_files_that_cannot_be_read(tmp_path: Path) -> None:
    def told(path: str | Path) -> str:
        with pytest.raises(DocumentError) as caught:
            load_document(path)
        return caught.value.message

    assert "this is a directory: name the YAML file in it" in told(tmp_path)
    assert "there is no such file: check the name" in told(tmp_path / "none.yaml")
    assert "cannot be read" in told("no\0name")
    assert "not a regular file" in told("/dev/zero")
    assert "cannot be read" in told("x" * 5000)
