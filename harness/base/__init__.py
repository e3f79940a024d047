"""Ground that knows nothing of motors: errors, clock, disk, words."""
