"""The grammar of a document's lines in ABNF (RFC 5234), for people and for other parsers.

General rules are those of `spec/wire.md`; specific ones say which requests a document's instrument
understands: every line that it does not refuse `syntax`, `unknown`, `access`, `type` or `unit`. Strings in
ABNF ignore case, so every letter that matters is written by its code; the number forms are written out in
full, nine digits and the missing minus zero included. What ABNF does not express stands in the text's head.
"""

from collections.abc import Iterable, Iterator

from wirevow.protocol.quantity import MOST_DIGITS
from wirevow.protocol.vow import ActionEntry, PointEntry, Vow

_HEAD = """\
; The lines of {name}, version {version}, wire digest {digest}, in ABNF (RFC 5234).
;
; Rules to begin with: request-line, reply-line and notice-line are all lines of wire version 1;
; plain-request and checked-request are the requests that {name} understands. ABNF does not express
;   - that a line has at most {limit} bytes,
;   - that a check matches the line before it,
;   - that the number of an unchecked put is on the step where the step's last digit is not 1,
;   - limits, states, tickets and who has control, which are refused later.
"""

_GENERAL = """\
request-line     = request line-end
reply-line       = reply line-end
notice-line      = notice line-end
line-end         = [CR] LF

request          = [tag SP] verb SP name *(SP argument) [SP check]
reply            = [tag SP] (ok *(SP argument) / refuse SP word *(SP argument)) [SP check]
notice           = note SP notice-number SP word *(SP argument) [SP check]

verb             = ask / put / act
ask              = %x61.73.6B                   ; "ask"
put              = %x70.75.74                   ; "put"
act              = %x61.63.74                   ; "act"
ok               = %x6F.6B                      ; "ok"
refuse           = %x72.65.66.75.73.65          ; "refuse"
note             = %x6E.6F.74.65                ; "note"

name             = word *("." word)
word             = lower *(lower / DIGIT / "_")
argument         = %x21-7D *%x21-7E             ; printable ASCII without SP, not beginning with "~"
tag              = "@" 1*4lower-hex
check            = "~" 4upper-hex               ; CRC-16/IBM-3740 over all bytes before its SP
ticket           = 4lower-hex
lower            = %x61-7A
lower-hex        = DIGIT / %x61-66
upper-hex        = DIGIT / %x41-46
nonzero          = %x31-39

; 1 to 65535
notice-number    = nonzero *3DIGIT / %x31-35 4DIGIT / "6" %x30-34 3DIGIT / "65" %x30-34 2DIGIT
                 / "655" %x30-32 DIGIT / "6553" %x30-35
"""


def general_rules() -> str:
    """The rules of every document: lines, words and numbers, in ABNF with LF line ends."""
    return f"{_GENERAL}\n{_numbers()}"


def grammar(vow: Vow) -> str:
    """The ABNF of a document: a head, the general rules, and one rule for each form of request."""
    name, version, digest = vow.identity
    head = _HEAD.format(name=name, version=version, digest=digest, limit=vow.document.wire.line_limit)
    points = vow.points.values()
    settable = [entry for entry in points if entry.settable]
    parts = [
        head,
        general_rules(),
        _rule("plain-request", ["[tag SP] (any-ask / any-put / any-act)"])
        + _rule("checked-request", ["[tag SP] (any-ask / any-checked-put / any-act) SP check"]),
        _rule("any-ask", [f"ask-{_rule_name(entry.name)}" for entry in points]),
        _rule("any-put", [f"put-{_rule_name(entry.name)}" for entry in settable]),
        _rule("any-checked-put", [f"checked-put-{_rule_name(entry.name)}" for entry in settable]),
        _rule("any-act", [f"act-{_rule_name(action)}" for action in vow.actions]),
        "".join(line for entry in points for line in _point(entry)),
        "".join(_action(action) for action in vow.actions.values()),
    ]
    return "\n".join(parts)


def _numbers() -> str:
    rules = _rule("number", [f"number-{digits}" for digits in range(MOST_DIGITS)])
    rules += _rule("number-0", ['"0"', f'["-"] nonzero *{MOST_DIGITS - 1}DIGIT'])
    for digits in range(1, MOST_DIGITS):
        more = MOST_DIGITS - 1 - digits
        whole = f'["-"] nonzero {f"*{more}DIGIT" if more else ""}'.rstrip()
        forms = [f'{whole} "." {_digits(digits)}', f'"0." {_digits(digits)}']
        # After "-0." some digit is not 0; the first that is not stands at one of these places.
        for zeros in range(digits):
            forms.append(f'"-0.{"0" * zeros}" nonzero {_digits(digits - 1 - zeros)}'.rstrip())
        rules += _rule(f"number-{digits}", forms)
    return f"; Numbers with that many digits after the point, {MOST_DIGITS} in all, never minus zero\n{rules}"


def _digits(count: int) -> str:
    return "" if count == 0 else "DIGIT" if count == 1 else f"{count}DIGIT"


def _point(entry: PointEntry) -> Iterator[str]:
    rule = _rule_name(entry.name)
    name = _literal(entry.name)
    yield f"; {entry.name}\n"
    index = "" if entry.record is None else " SP number-0"
    yield _rule(f"ask-{rule}", [f"ask SP {name}{index}"])
    if not entry.settable:
        return
    if entry.scale is None:
        choices = " / ".join(_literal(choice) for choice in entry.choices)
        yield _rule(f"put-{rule}", [f"put SP {name} SP ({choices})"])
        yield _rule(f"checked-put-{rule}", [f"put-{rule}"])
        return
    unit = "" if entry.scale.unit == "1" else f" SP {_literal(entry.scale.unit)}"
    optional = f" [{unit.strip()}]" if unit else ""
    yield _rule(f"put-{rule}", [f"put SP {name} SP number-{entry.scale.digits}{unit}"])
    yield _rule(f"checked-put-{rule}", [f"put SP {name} SP number{optional}"])


def _action(action: ActionEntry) -> str:
    argument = " SP number-0" if action.many else "" if action.takes_ticket is None else " SP ticket"
    rule = _rule(f"act-{_rule_name(action.name)}", [f"act SP {_literal(action.name)}{argument}"])
    return f"; {action.name}\n{rule}"


def _rule(name: str, alternatives: Iterable[str]) -> str:
    return f"{name:16} = " + "\n                 / ".join(alternatives) + "\n"


def _rule_name(name: str) -> str:
    """A name in the characters of rule names; doubling the stroke for "_" keeps different names different."""
    return name.replace("_", "--").replace(".", "-")


def _literal(text: str) -> str:
    """`text` with its case: by codes if it has letters, else as a string."""
    if text.isascii() and not any(character.isalpha() or character == '"' for character in text):
        return f'"{text}"'
    return "%x" + ".".join(f"{byte:02X}" for byte in text.encode("ascii"))
