"""Calibrated samples of a run to files that other programs read."""
