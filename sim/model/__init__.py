"""The model: plant, sensor, electronics, and the loops over time that the kernels are made of."""
