"""Allows `python -m mezzmark`."""

from mezzmark.cli.app import main

if __name__ == "__main__":
    main()
