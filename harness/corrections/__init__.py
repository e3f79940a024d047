"""What a measurement is corrected for: dead time, resistance, temperature, inertia."""
