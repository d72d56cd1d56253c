"""The version, where the package and its build both read it."""

__version__ = "0.1.0"
