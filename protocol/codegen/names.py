"""C identifiers for the names of a document, each one once."""

from __future__ import annotations

from collections.abc import Iterable

from wirevow.protocol.errors import WirevowError

# C11 (ISO/IEC 9899, 6.4.1) and C++17 (ISO/IEC 14882, 5.11) keywords that a lower-case word can be.
# fmt: off
KEYWORDS = frozenset((
    "alignas", "alignof", "and", "asm", "auto", "bitand", "bitor", "bool", "break", "case", "catch",
    "char", "class", "compl", "const", "constexpr", "continue", "default", "delete", "do", "double",
    "else", "enum", "explicit", "export", "extern", "false", "float", "for", "friend", "goto", "if",
    "inline", "int", "long", "mutable", "namespace", "new", "noexcept", "not", "nullptr", "operator",
    "or", "private", "protected", "public", "register", "restrict", "return", "short", "signed", "sizeof",
    "static", "struct", "switch", "template", "this", "throw", "true", "try", "typedef", "typeid",
    "typename", "union", "unsigned", "using", "virtual", "void", "volatile", "wchar_t", "while", "xor",
))
# fmt: on


class GenerateError(WirevowError):
    """A document that the C core cannot carry; the message says what to change."""


def identifier(name: str) -> str:
    """The name as a C identifier: `.` becomes `_`, and a keyword gets a `_` behind it."""
    plain = name.replace(".", "_")
    return f"{plain}_" if plain in KEYWORDS else plain


def distinct(names: Iterable[str], kind: str) -> None:
    """GenerateError when two names become the same identifier, such as `a.b_c` and `a_b.c`."""
    seen: dict[str, str] = {}
    for name in names:
        other = seen.setdefault(identifier(name), name)
        if other != name:
            raise GenerateError(
                f"the {kind} {other} and {name} are both {identifier(name)} in C: rename one of them"
            )
