"""Pure lines of a run: where they stand, what explains them, what they hold of each quantity."""
