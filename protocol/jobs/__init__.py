"""Jobs of the bench: discharge a battery, calibrate, sweep a source. No ports here.

Computation lives beside the course of each job, which works through a client: of a real instrument on the
machine's clock, or of a simulated one on its own.
"""
