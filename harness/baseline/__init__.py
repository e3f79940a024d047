"""Records against a baseline that a store keeps, for commands."""
