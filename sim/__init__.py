"""The joint on the computer: plant, sensor, closed loop, tuning, limits."""
