"""Electro-thermal physics behind the instrument: true SI values on a virtual clock.

interface    the seam: what the instrument may ask of a plant
build        from a document's physics and a bench to a running plant
terminals    names of signals, controls and bench events, with units and bounds
sink         an electronic sink: events, regulation, swing, fan, derating, counters
circuit      the circuit while the current is known: closed forms
collocation  the circuit while the current is bound to the voltage: polynomials (needs numpy)
sources      supply, battery, panel, capacitor bank
heat         junction, case, sink, bead: modes of a ladder
expoly       exponential polynomials, their responses, and the search for crossings
converter    gain, offset, bow, steps, noise by sample number
thermistor   resistance laws and the divider
curves       fan levels and derating over temperature
room         a heated room, for the small second instrument
agenda       bench timeline and watches, the same in every plant
pictures     a discharge and a swing edge as pictures (needs matplotlib)
"""
