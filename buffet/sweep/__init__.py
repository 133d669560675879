"""A configuration over its wind speeds: where its peaks go, and whether its RMS still changes."""
