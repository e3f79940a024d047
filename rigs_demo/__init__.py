"""The simulated bench: board, clock, plant, instruments, rig faults, firmware, true values."""
