"""The only comparison: verdicts, their exit code, preconditions, causes. Reads results only."""
