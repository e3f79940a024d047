"""What travels between rooms: quantities, observations, results, names, the drive contract."""
