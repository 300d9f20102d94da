"""The bench at work: ports as protocols, the session that owns a run, and what it says to its screens."""
