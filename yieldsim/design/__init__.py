"""What is built: the configuration file as typed, unit-checked, immutable objects."""
