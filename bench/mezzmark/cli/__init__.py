"""The command line: parse, call one function, print one value, map errors to exit codes."""
