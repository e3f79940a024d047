"""Instruments, the opened rig, make safe, guard, locks, exchange of firmware. Knows no model and no verdict."""
