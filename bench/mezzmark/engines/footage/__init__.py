"""Synthetic footage: painted scenes, a camera, and the long-GOP file it would deliver."""
