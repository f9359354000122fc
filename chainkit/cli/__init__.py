"""The command line: one file a command; main alone turns faults into messages."""
