"""Files in, calibrated records out: sheets, readers, checks, zeros, air and axes."""
