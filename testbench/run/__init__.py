"""One visit of one valve to the bench: what was seen, how it went on, and what follows from it. Pure."""
