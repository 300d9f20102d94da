"""From a closed record to a signed page, and back to a checked one."""
