"""Decoders without any I/O: bytes in, readings or rejected bytes out."""
