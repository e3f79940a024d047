"""What a qualification will take and be able to see, from a rig file; opens nothing."""
