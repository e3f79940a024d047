"""A release tried on a bench, decided on by the gate, and told."""
