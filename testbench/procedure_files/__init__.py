"""Procedure, bench and order files: text in, models out, errors with their place."""
