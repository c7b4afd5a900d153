"""The command line: one kind of command a file, no logic."""
