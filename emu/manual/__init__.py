"""An instrument's manual, written from its document: its examples are run against the simulation.

| module | what it is |
|---|---|
| `examples` | exchanges with the simulated instrument, every line of which the oracle judges |
| `changes` | what differs from an earlier version, protection first |
| `page` | the page itself |
"""
