"""What the machine was, and whether it was steady."""
