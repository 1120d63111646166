"""The encodings that can be named, by their standards."""
