"""Picture quality and colour shifts, named."""
