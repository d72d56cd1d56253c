"""Complete test suites for finite state machines: finitely many sequences that leave no faulty machine alive.

`machine` holds Mealy machines as data, `identifiers` tells their states apart, `hsi` makes the suite, and
`group` runs it on an instrument as part of a check. The first three know nothing of instruments.
"""
