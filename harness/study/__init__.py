"""Studies over several runs: whether the bench itself is good enough. Reads records only: no bench, no store."""
