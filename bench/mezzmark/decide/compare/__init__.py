"""Runs against runs: regression, hosts, history."""
