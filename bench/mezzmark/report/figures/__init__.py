"""The figures, as marks on axes."""
