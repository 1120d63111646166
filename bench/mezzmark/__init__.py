"""mezzmark: what footage costs to work with, measured on your own machine."""

__version__ = "0.1.0"
