"""Hosts of instruments: `dialogue` and `operations` without I/O, `sync` with it."""
