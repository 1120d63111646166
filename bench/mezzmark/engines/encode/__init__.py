"""Encoders: one clip, many jobs at once, a folder, a delivery; and the reference kernel."""
