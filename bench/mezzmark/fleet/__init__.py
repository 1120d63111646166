"""The same measurement on many machines, over a Dask scheduler."""
