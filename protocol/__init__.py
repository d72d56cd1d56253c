"""Everything derived from a vow (one document about one instrument) that needs no simulator.

Private; what others may use is in `wirevow`.
"""
