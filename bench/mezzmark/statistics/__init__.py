"""Estimates, intervals, comparisons and scaling laws as pure functions over arrays."""
