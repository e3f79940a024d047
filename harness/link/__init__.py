"""Host to board: raw REPL, frames of samples, deployment."""
