"""Runs on disk: manifest, append-only trials, shipped files, exports."""
