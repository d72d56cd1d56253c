"""Reading a document: YAML 1.2 text to a typed model, every defect with its line and its remedy.

The text is guarded before anything is built from it. Size is checked first, then the parser's events
are read one by one and the first that nobody needs in a document ends the reading: nesting that is too
deep, an anchor or alias (a small text could stand for a huge one), a tag, a second document, an endless
number. What is left becomes plain data, in which numbers keep their text (`Decimal`, never a binary
float), beside the line and column of every node; then the model checks it, and its complaints are put
into plain words at those lines.

Scalars resolve by the core schema of YAML 1.2.2, chapter 10.3: `on` and `yes` are words, `true` is not.
"""

from __future__ import annotations

import difflib
import hashlib
import re
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from decimal import Decimal
from functools import lru_cache
from itertools import islice, takewhile
from os import PathLike
from pathlib import Path
from types import UnionType
from typing import Annotated, Any, Generic, TypeVar, Union, get_args, get_origin

from pydantic import BaseModel, ValidationError
from pydantic_core import ErrorDetails
from ruamel.yaml import YAML
from ruamel.yaml.error import MarkedYAMLError, YAMLError
from ruamel.yaml.events import (
    AliasEvent,
    DocumentStartEvent,
    Event,
    MappingEndEvent,
    MappingStartEvent,
    ScalarEvent,
    SequenceEndEvent,
    SequenceStartEvent,
)
from ruamel.yaml.reader import ReaderError

from wirevow.protocol.document.model import NAME_PATTERN, ROW_PATTERN, WORD_PATTERN, Document, row_name
from wirevow.protocol.document.plant import PlantUse, parameter_models
from wirevow.protocol.errors import WirevowError
from wirevow.protocol.inputs import MOST_NUMBER_CHARACTERS, file_content, unprintable

MOST_BYTES = 256 * 1024
MOST_LEVELS = 32
MOST_NODES = 12_000
"""Far more than an instrument needs, and few enough that reading them takes about a second."""
MOST_PROBLEMS = 20
MOST_COMPLAINTS = 200

NodePath = tuple[str | int, ...]
"""Where a node is: the keys (as written) and list positions from the top."""

M = TypeVar("M", bound=BaseModel)


@dataclass(frozen=True, slots=True)
class Mark:
    """Line and column, both counted from 1."""

    line: int
    column: int


@dataclass(frozen=True, slots=True)
class Problem:
    """One defect of a text. `line` is None when no line is to blame."""

    line: int | None
    message: str


class DocumentError(WirevowError):
    """A file that cannot be used: one `file:line: what is wrong, what to write instead` per problem."""

    def __init__(self, name: str, problems: Sequence[Problem]) -> None:
        self.name = name
        self.problems = tuple(problems)
        lines = [
            name + ("" if problem.line is None else f":{problem.line}") + f": {problem.message}"
            for problem in self.problems[:MOST_PROBLEMS]
        ]
        if len(self.problems) > len(lines):
            lines.append(f"{name}: and more: mend these first")
        super().__init__("\n".join(lines))


class Marks:
    """Where every node of a text begins.

    A member of a mapping is marked at its key, an item of a list at its first character.
    """

    def __init__(self, marks: Mapping[NodePath, Mark]) -> None:
        self._marks = marks

    def of(self, *path: str | int) -> Mark:
        """Mark of the node, or of its nearest parent that is in the text (defaults are not)."""
        for given in _written(path):
            if given in self._marks:
                path = given
        while path not in self._marks:
            if not path:
                return Mark(1, 1)
            path = path[:-1]
        return self._marks[path]

    def line(self, *path: str | int) -> int:
        """Line of the node, counted from 1, or of its nearest parent that is in the text."""
        return self.of(*path).line

    def __contains__(self, path: object) -> bool:
        return path in self._marks

    def __iter__(self) -> Iterator[NodePath]:
        return iter(self._marks)


def _written(path: NodePath) -> Iterator[NodePath]:
    """Where a point may be written that is one of many rows, the nearer the later."""
    if len(path) > 1 and path[0] == "points":
        for name in row_name(str(path[1])):
            for length in range(2, len(path) + 1):
                yield ("points", name, *path[2:length])


@dataclass(frozen=True, slots=True)
class Source:
    """A text as plain data (dict, list, str, int, Decimal, bool, None), with its marks."""

    name: str
    data: Any
    marks: Marks
    sha256: str
    """Hex SHA-256 of the bytes as they were read. The meaning has a digest of its own, in `canonical`."""
    text: str = ""

    def entry(self, line: int, most: int = 8) -> list[str]:
        """This line, counted from 1, under those that it is indented below, and what is indented below it;
        none if there is no such line."""
        lines = self.text.splitlines()
        if not 0 < line <= len(lines):
            return []
        shown = [lines[line - 1]]
        for above in reversed(lines[: line - 1]):
            if above.strip() and not above.lstrip().startswith("#") and _indent(above) < _indent(shown[0]):
                shown.insert(0, above)
        below = takewhile(lambda each: _indent(each) > _indent(lines[line - 1]), lines[line:])
        return [each.rstrip() for each in (*shown, *islice(below, most)) if each.strip()]


def _indent(line: str) -> int:
    return len(line) - len(line.lstrip())


@dataclass(frozen=True, slots=True)
class Loaded(Generic[M]):
    """A checked model and the text that it came from."""

    document: M
    source: Source

    @property
    def name(self) -> str:
        """The file's name as it was given, for messages."""
        return self.source.name

    @property
    def marks(self) -> Marks:
        return self.source.marks


def load_document(path: str | PathLike[str]) -> Loaded[Document]:
    """The instrument's document in a file. Raises `DocumentError`, and nothing else, for any content."""
    return load_yaml_model(path, Document)


def read_document(content: bytes | str, name: str = "document") -> Loaded[Document]:
    """As `load_document`, from a text that is already in memory; `name` stands for it in messages."""
    return read_yaml_model(content, Document, name)


def load_yaml_model(path: str | PathLike[str], model: type[M]) -> Loaded[M]:
    """A YAML file of any model (bench files use it too). Raises `DocumentError`."""
    name = str(path)
    return read_yaml_model(_bytes_of(Path(path), name), model, name, Path(path).absolute().parent)


def read_yaml_model(content: bytes | str, model: type[M], name: str, folder: Path | None = None) -> Loaded[M]:
    """As `load_yaml_model`, from a text that is already in memory; `folder` is where it came from."""
    source = _read_once(content.encode() if isinstance(content, str) else content, name)
    try:
        return Loaded(model.model_validate(source.data, context={"folder": folder}), source)
    except ValidationError as wrong:
        problems = _problems(wrong.errors(include_url=False), source, model)
    raise DocumentError(name, problems)


def part_of(loaded: Loaded[Any], where: NodePath, model: type[M]) -> M:
    """A part of a loaded text, read anew as another model. DocumentError, at its lines."""
    source = loaded.source
    try:
        return model.model_validate(_at(source.data, where))
    except ValidationError as wrong:
        errors = wrong.errors(include_url=False)
    for error in errors:
        error["loc"] = (*where, *error["loc"])
    raise DocumentError(loaded.name, _problems(errors, source, model, where))


def _bytes_of(path: Path, name: str) -> bytes:
    try:
        return file_content(path, MOST_BYTES, "YAML file")
    except ValueError as wrong:
        raise DocumentError(name, [Problem(None, str(wrong))]) from None


# ------------------------------------------------------------------------------------ text to plain data

_NULL = frozenset(("", "~", "null", "Null", "NULL"))
_TRUE = frozenset(("true", "True", "TRUE"))
_FALSE = frozenset(("false", "False", "FALSE"))
_INTEGER = re.compile(r"[-+]?[0-9]+")
_OTHER_BASE = re.compile(r"0o[0-7]+|0x[0-9a-fA-F]+")
_DECIMAL = re.compile(r"[-+]?(\.[0-9]+|[0-9]+(\.[0-9]*)?)([eE][-+]?[0-9]+)?")
_NOT_FINITE = re.compile(r"[-+]?\.(inf|Inf|INF)|\.(nan|NaN|NAN)")


@dataclass(slots=True)
class _Open:
    """A mapping or list that has begun. `key` is the mapping's key that waits for its value."""

    path: NodePath
    node: dict[str, Any] | list[Any]
    key: str | None = None


class _Stop(Exception):
    def __init__(self, line: int | None, message: str) -> None:
        self.problem = Problem(line, message)


def read_yaml(content: bytes, name: str) -> Source:
    """The plain data of a text. Raises `DocumentError` with the first thing that is wrong."""
    try:
        text = _text_of(content)
        data, marks = _build(_events(text))
    except _Stop as stop:
        raise DocumentError(name, [stop.problem]) from None
    return Source(name, data, Marks(marks), hashlib.sha256(content).hexdigest(), text)


_read_once = lru_cache(2)(read_yaml)
"""An instrument and its host in one process read the same text, and reading is what takes longest."""


def _text_of(content: bytes) -> str:
    if len(content) > MOST_BYTES:
        raise _Stop(
            None, f"the file is larger than {MOST_BYTES // 1024} kB: a document is smaller, shorten it"
        )
    if content.startswith((b"\xff\xfe", b"\xfe\xff", b"\xef\xbb\xbf")):
        raise _Stop(1, "the file begins with a byte order mark: save it as UTF-8 without one")
    try:
        text = content.decode("utf-8")
    except UnicodeDecodeError as wrong:
        line = content.count(b"\n", 0, wrong.start) + 1
        raise _Stop(line, f"byte 0x{content[wrong.start]:02X} is not UTF-8: save the file as UTF-8") from None
    strange = re.search(r"[^\t\n\r\x20-\x7e\xa0-\ud7ff\ue000-\ufffd\U00010000-\U0010ffff]", text)
    if strange:
        line = text.count("\n", 0, strange.start()) + 1
        raise _Stop(line, f"character U+{ord(strange[0]):04X} is not text: remove it")
    if not text.strip():
        raise _Stop(None, "the file is empty: write a document in it")
    return text


def _events(text: str) -> Iterator[Event]:
    # The pure parser: the C one knows YAML 1.1 only, and is not on every machine.
    try:
        yield from YAML(typ="safe", pure=True).parse(text)
    except ReaderError as wrong:
        raise _Stop(None, f"not text ({wrong.reason}): save the file as UTF-8") from None
    except MarkedYAMLError as wrong:
        # Where something begins that never ends helps more than the last line.
        unended = "end of stream" in str(wrong.problem)
        mark = (wrong.context_mark if unended else None) or wrong.problem_mark or wrong.context_mark
        raise _Stop(mark.line + 1 if mark else None, _yaml_words(wrong)) from None
    except (YAMLError, ValueError, LookupError, TypeError, AttributeError, AssertionError) as wrong:
        # The parser itself fails on some broken texts (a %YAML line with a word for a number).
        raise _Stop(
            None, f"this is not YAML ({_short(str(wrong))}): check quotes, brackets and indents"
        ) from None


def _yaml_words(wrong: MarkedYAMLError) -> str:
    problem = _short(" ".join(str(wrong.problem or wrong.context or "broken text").split()))
    if "\\t" in problem:
        return "a tab where YAML wants spaces: indent with spaces"
    if "mapping values are not allowed" in problem:
        return 'a second ": " in the line, or a wrong indent: quote the text or mend the indent'
    if "undefined alias" in problem:
        return "aliases are not allowed: write the value out"
    return f"this is not YAML ({problem}): check quotes, brackets and indents here"


def _build(events: Iterable[Event]) -> tuple[Any, dict[NodePath, Mark]]:
    marks: dict[NodePath, Mark] = {}
    stack: list[_Open] = []
    root: Any = None
    documents = 0
    nodes = 0
    for event in events:
        if isinstance(event, SequenceEndEvent | MappingEndEvent):
            stack.pop()
            continue
        line = event.start_mark.line + 1
        if isinstance(event, DocumentStartEvent):
            documents += 1
            if documents > 1:
                raise _Stop(line, "a second document begins here: keep one per file, remove the line ---")
            continue
        if isinstance(event, AliasEvent):
            raise _Stop(
                line, f"aliases are not allowed: write the value out instead of *{_short(event.anchor)}"
            )
        if not isinstance(event, ScalarEvent | SequenceStartEvent | MappingStartEvent):
            continue
        nodes += 1
        if nodes > MOST_NODES:
            raise _Stop(line, f"more than {MOST_NODES} values: a document is smaller, shorten it")
        if event.anchor is not None:
            raise _Stop(line, f"anchors are not allowed: remove &{_short(event.anchor)} and write values out")
        if event.tag is not None:
            raise _Stop(line, f"tags are not allowed: remove {_short(str(event.tag))}")

        parent = stack[-1] if stack else None
        here = Mark(line, event.start_mark.column + 1)
        if parent is not None and isinstance(parent.node, dict) and parent.key is None:
            parent.key = _key(event, parent, line)
            marks[(*parent.path, parent.key)] = here
            continue
        value: Any
        if isinstance(event, ScalarEvent):
            value = _scalar(event, line)
            if value is None and parent is not None:
                # `high:` with its value forgotten must not pass for a limit that is absent.
                if parent.key is None:
                    raise _Stop(line, "an item is empty: write a value, or remove it")
                line = marks[(*parent.path, parent.key)].line
                raise _Stop(line, f'"{_short(parent.key)}" is empty: write a value, or remove it')
        else:
            if len(stack) >= MOST_LEVELS:
                raise _Stop(line, f"more than {MOST_LEVELS} levels of nesting: a document is flatter")
            value = {} if isinstance(event, MappingStartEvent) else []
        path: NodePath
        if parent is None:
            root = value
            path = ()
        elif isinstance(parent.node, list):
            path = (*parent.path, len(parent.node))
            parent.node.append(value)
        else:
            assert parent.key is not None
            path = (*parent.path, parent.key)
            parent.node[parent.key] = value
            parent.key = None
        marks.setdefault(path, here)
        if not isinstance(event, ScalarEvent):
            stack.append(_Open(path, value))
    return root, marks


def _key(event: Event, parent: _Open, line: int) -> str:
    if not isinstance(event, ScalarEvent):
        raise _Stop(line, "a key is one word or name: write 'key: value'")
    value = _scalar(event, line)
    if not isinstance(value, str):
        shown = _short(event.value) or "nothing"
        raise _Stop(line, f"a key is a word, and {shown} is none: write another, or quote a text with commas")
    if value in parent.node:
        raise _Stop(line, f'key "{_short(value)}" is here twice: remove one of them')
    return value


def _scalar(event: ScalarEvent, line: int) -> Any:
    text: str = event.value
    strange = unprintable(text)
    if strange is not None:
        raise _Stop(
            line,
            f"{strange} is a control character, or changes the direction of text: remove it",
        )
    if event.style is not None or not event.implicit[0]:
        return text
    if text in _NULL:
        return None
    if text in _TRUE:
        return True
    if text in _FALSE:
        return False
    if _NOT_FINITE.fullmatch(text):
        raise _Stop(line, f"{_short(text)} is not a finite number: write a decimal number")
    number = _INTEGER.fullmatch(text) or _OTHER_BASE.fullmatch(text) or _DECIMAL.fullmatch(text)
    if number is None:
        return text
    if len(text) > MOST_NUMBER_CHARACTERS:
        raise _Stop(line, f"a number of {len(text)} characters: write at most {MOST_NUMBER_CHARACTERS}")
    if _INTEGER.fullmatch(text):
        return int(text)
    if text.startswith(("0o", "0x")):
        return int(text, 0)
    return Decimal(text)


# ------------------------------------------------------------------------- the model's complaints in words

_SHAPE = frozenset(("missing", "extra_forbidden"))


@dataclass(frozen=True, slots=True)
class _Complaint:
    """One of the model's complaints: the node it is about, and the forms that were tried on the way.

    A node may have one of several forms (a union); the model then complains for every form in turn.
    `forms` maps the node where a form was tried to the form's label.
    """

    path: NodePath
    forms: Mapping[NodePath, str]
    error: ErrorDetails

    @property
    def of_shape(self) -> bool:
        return self.error["type"] in _SHAPE


def _problems(
    errors: Sequence[ErrorDetails], source: Source, model: type[BaseModel], top: NodePath = ()
) -> list[Problem]:
    """One problem for every node that the model complains about, in the order of the text.

    `top` is where the model's node is.
    """
    # A flood is cut before it is put into words: nobody mends more at once.
    complaints = [_locate(_in_text(error, source.data), source.data) for error in errors[:MOST_COMPLAINTS]]
    for node in {node for complaint in complaints for node in complaint.forms}:
        complaints = _fitting(complaints, node, _at(source.data, node))
    nodes: dict[NodePath, list[_Complaint]] = {}
    for complaint in complaints:
        nodes.setdefault(complaint.path, []).append(complaint)
    found = {
        (source.marks.line(*path), message)
        for path, about in nodes.items()
        for message in _words(path, about, source, model, top)
    }
    return [Problem(line, message) for line, message in sorted(found)]


def _in_text(error: ErrorDetails, data: Any) -> ErrorDetails:
    """Of a row, where the text has it: all rows have the same complaints."""
    section, *rest = error["loc"] or ("",)
    points = data.get("points") if section == "points" and isinstance(data, dict) else None
    if rest and isinstance(points, dict) and rest[0] not in points:
        for name in row_name(str(rest[0])):
            if name in points:
                error["loc"] = (section, name, *rest[1:])
    return error


def _locate(error: ErrorDetails, data: Any) -> _Complaint:
    path: NodePath = ()
    forms: dict[NodePath, str] = {}
    node: Any = data
    for part in error["loc"]:
        members = range(len(node)) if isinstance(node, list) else node if isinstance(node, dict) else ()
        if part in members:
            node = node[part]
            path = (*path, part)
        elif part != "[key]" and not (error["type"] == "missing" and part == error["loc"][-1]):
            forms[path] = str(part)
    return _Complaint(path, forms, error)


def _fitting(complaints: list[_Complaint], node: NodePath, value: Any) -> list[_Complaint]:
    """Without the complaints of forms that the node was not meant to have, where that can be told."""
    if not isinstance(value, dict | list):
        return complaints
    here = [complaint for complaint in complaints if node in complaint.forms]
    # A form that reached inside the node, or missed a key of it, is of the node's kind at least.
    score: dict[str, int] = {}
    for complaint in here:
        if complaint.of_shape or len(complaint.path) > len(node):
            form = complaint.forms[node]
            score[form] = score.get(form, 0) + (2 if complaint.of_shape else 1)
    if not score:
        return complaints
    best = min(score, key=lambda form: score[form])
    return [complaint for complaint in complaints if complaint.forms.get(node, best) == best]


def _words(
    path: NodePath,
    complaints: Sequence[_Complaint],
    source: Source,
    model: type[BaseModel],
    top: NodePath = (),
) -> Iterator[str]:
    forms: list[str] = []
    offered: list[str] = []
    own = False
    value = _at(source.data, path)
    for complaint in complaints:
        error = complaint.error
        kind = error["type"]
        context = error.get("ctx", {})
        if kind == "missing":
            missing = str(error["loc"][-1])
            unknown = set(value) - _keys(model, error["loc"][len(top) : -1])
            if not _near(missing, unknown):  # a key that is only written wrong is said once
                yield f'{_where(path)} lacks "{missing}": add it'
        elif kind == "extra_forbidden":
            near = _near(str(path[-1]), _keys(model, error["loc"][len(top) : -1]))
            yield f'unknown key "{_short(path[-1])}" in {_where(path[:-1])}{near or ": remove it"}'
        elif kind == "union_tag_not_found":
            yield f"{_where(path)} lacks {context['discriminator']}: add it".replace("'", '"')
        elif error["loc"][-1:] == ("[key]",):
            rows = '; # is for points with "many"' if "#" in str(path[-1]) else ""
            yield f'"{_short(path[-1])}" cannot be a name in {_where(path[:-1])}: {_form(error)}{rows}'
        else:
            if kind == "literal_error":
                offered += re.findall(r"'([^']*)'", context["expected"])
            own = own or kind == "value_error"
            form = _form(error)
            if form not in forms:
                forms.append(form)
    if not forms:
        return
    near = _near(value, offered) if isinstance(value, str) else ""
    wanted = forms[0] + "".join(f"; or {form.removeprefix('write ')}" for form in forms[1:])
    if near:
        yield f"{_where(path)} is {_shown(value)}{near}"
    elif own or isinstance(value, dict | list):
        yield f"{_where(path)}: {wanted}"
    else:
        yield f"{_where(path)} is {_shown(value)}: {wanted}"


_FORMS = {
    "string_type": "text (in quotes if it looks like a number)",
    "bool_type": "true or false",
    "bool_parsing": "true or false",
    "int_type": "a whole number",
    "int_parsing": "a whole number",
    "int_from_float": "a whole number",
    "int_parsing_size": "a smaller whole number",
    "float_type": "a number",
    "float_parsing": "a number",
    "finite_number": "a finite number",
    "decimal_type": "a number",
    "decimal_parsing": "a number",
    "dict_type": "a mapping (lines of key: value)",
    "model_type": "a mapping (lines of key: value)",
    "model_attributes_type": "a mapping (lines of key: value)",
    "list_type": "a list",
    "tuple_type": "a list",
    "greater_than": "a number above {gt}",
    "greater_than_equal": "{ge} or more",
    "less_than": "a number below {lt}",
    "less_than_equal": "{le} or less",
    "string_too_short": "{min_length} characters or more",
    "string_too_long": "{max_length} characters or less",
    "too_short": "{min_length} of them or more",
    "too_long": "{max_length} of them or less",
    "union_tag_invalid": "{discriminator}: one of {expected_tags}",
    "literal_error": "{expected}",
}
"""What the model wanted, by the type of its complaint (pydantic's documented error types)."""

_PATTERNS = {
    WORD_PATTERN: "a word (a lower-case letter, then lower-case letters, digits or _, at most 24)",
    ROW_PATTERN: "a name, with # for the number of a row",
    NAME_PATTERN: "a name (one to four words of lower-case letters, digits and _, joined by points)",
}


def _form(error: ErrorDetails) -> str:
    context = error.get("ctx", {})
    if error["type"] == "value_error":
        return str(context["error"])
    if error["type"] == "string_pattern_mismatch":
        return "write " + _PATTERNS.get(context["pattern"], f"text of the form {context['pattern']}")
    if error["type"] in _FORMS:
        return "write " + _FORMS[error["type"]].format(**context).replace("'", '"')
    return error["msg"]


def _keys(model: type[BaseModel], location: Sequence[str | int]) -> set[str]:
    """Keys that the model knows at a location of one of its complaints."""
    kinds: list[Any] = [model]
    for part in location:
        kinds = [inner for kind in kinds for inner in _step(kind, part)]
    return {key for kind in kinds for key in _fields(kind)}


def _fields(kind: Any) -> dict[str, Any]:
    if not (isinstance(kind, type) and issubclass(kind, BaseModel)):
        return {}
    return {field.alias or name: field.annotation for name, field in kind.model_fields.items()}


def _step(kind: Any, part: str | int) -> Iterator[Any]:
    fields = _fields(kind)
    if part in fields:
        inner = [fields[str(part)]]
    elif get_origin(kind) is dict:
        inner = [get_args(kind)[1]]
    elif get_origin(kind) is list:
        inner = [get_args(kind)[0]]
    else:
        inner = [kind]  # the label of a form: not a step in the text
    while inner:
        one = inner.pop()
        if get_origin(one) is Annotated:
            inner.append(get_args(one)[0])
        elif get_origin(one) in (Union, UnionType):
            inner.extend(get_args(one))
        elif one is PlantUse:
            yield from parameter_models()
        else:
            yield one


def _near(word: str, offered: Iterable[str]) -> str:
    close = difflib.get_close_matches(word[:60], list(offered), n=1, cutoff=0.6)
    return f', did you mean "{close[0]}"?' if close else ""


def _at(data: Any, path: NodePath) -> Any:
    for part in path:
        data = data[part]
    return data


def _where(path: NodePath) -> str:
    """`points.sink.level.choice item 2`; list items are counted from 1."""
    text = ""
    for part in path:
        if isinstance(part, int):
            text += f" item {part + 1}"
        else:
            text += ("." if text else "") + _short(part)
    return text or "the document"


def _shown(value: Any) -> str:
    if value is None:
        return "empty"
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, str):
        return f'"{_short(value)}"'
    return _short(value)


def _short(text: object) -> str:
    words = "".join(character if character.isprintable() else "?" for character in str(text))
    return words if len(words) <= 60 else words[:57] + "..."
