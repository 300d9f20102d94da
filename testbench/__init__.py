"""Recorder for factory hydrostatic acceptance tests of valves."""

__version__ = "0.1.0"
