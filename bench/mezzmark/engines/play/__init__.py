"""The player whose moves are timed, and its viewer."""
