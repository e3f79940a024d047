"""What each command may be given: one module a family of commands, light to import."""
