"""Which encoding the needs and wishes choose, and how surely."""
