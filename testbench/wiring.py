"""Configuration to objects: the only place that knows all of the edges."""
