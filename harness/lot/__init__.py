"""A lot of boards from their records: scatter, capability, a certificate each, beside a reference board."""
