"""Time and memory of the measurement, always as ratios within one run."""
