"""HTTP's request line, told apart from the first bytes of a host.

A web page can make a browser send a request to any port of its machine, with a body of the page's choosing.
What it cannot do is leave out the request line, which comes first: method, space, target (RFC 9112, section
3). No line of ours begins so: our verbs are in lower case, and the rig speaks JSON.
"""

_LONGEST_METHOD = 16
_TARGETS = (b"/", b"*", b"http:", b"https:")
"""How a request target begins: origin form, asterisk form, absolute form (RFC 9112, section 3.2)."""


def begins_http(data: bytes) -> bool | None:
    """Whether a connection that begins with these bytes is HTTP; None while it can be either."""
    method, space, target = data.partition(b" ")
    if not method:
        return False if data else None
    if not (method.isalpha() and method.isupper()) or len(method) > _LONGEST_METHOD:
        return False
    if not space:
        return None
    if target.startswith(_TARGETS):
        return True
    return None if any(each.startswith(target) for each in _TARGETS) else False
