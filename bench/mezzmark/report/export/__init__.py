"""Tidy tables for other programs."""
