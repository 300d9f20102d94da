"""Serial ports and the clock: the only room that opens a device."""
