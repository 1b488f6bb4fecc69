"""The command line: one file per command, nothing heavy imported before a command runs."""
