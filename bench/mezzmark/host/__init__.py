"""What the machine says of itself."""
