"""Everything that is kept: the only room that knows a database."""
