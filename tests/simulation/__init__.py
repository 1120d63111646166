"""Stated worlds, a synthetic engine and the programs that show coverage, error rates and power."""
