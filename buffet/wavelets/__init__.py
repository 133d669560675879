"""Energy over time in the band of a peak, and whether it comes in bursts."""
