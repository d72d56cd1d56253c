"""Everything derived from a vow (one document about one instrument) that needs no simulator."""

__version__ = "0.1.0"
