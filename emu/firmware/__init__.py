"""The demo instrument's reference firmware in C, and what runs it against the simulated world."""
