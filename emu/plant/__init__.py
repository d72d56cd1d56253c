"""Electro-thermal physics behind the instrument: true SI values on a virtual clock."""
