"""The console: what a typed line means (`lines`), what may follow (`offers`), a terminal, a pipe."""
