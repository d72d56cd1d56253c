"""Electro-thermal physics behind the instrument: true SI values on a virtual clock.

interface    the seam: what the instrument may ask of a plant
registry     the class and the parameters of the plant that a document chose, and what it offers
build        from a document's physics and a bench to a running plant
guard        somebody else's plant: what it raises or returns that is no answer is one clear error
seam         what simple plants have in common: time, timeline, watches, checked names
rates        a plant by its rates of change, integrated (needs scipy); public as `wirevow.Plant`
bare         no plant: the bench gives the readings their values
offers       what a plant offers, listed
terminals    names of signals, controls and bench events of our own plants, with units and meanings
sections     parts of the document's section that plants have in common; `sink_section`, `room_section`
sink         an electronic sink: events, circuit and heat; its firmware's loops are in `emu/control`
circuit      the circuit while the current is known: closed forms
collocation  the circuit while the current is bound to the voltage: polynomials (needs numpy)
sources      supply, battery, panel, capacitor bank
heat         junction, case, sink, bead: modes of a ladder
expoly       exponential polynomials, their responses, and the search for crossings
converter    gain, offset, bow, steps, noise by sample number
thermistor   resistance laws and the divider
room         a heated room, for the small second instrument
agenda       bench timeline and watches, the same in every plant
pictures     a discharge and a swing edge as pictures (needs matplotlib)
"""
