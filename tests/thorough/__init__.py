"""Long checks, run by hand: `python -m tests.thorough coverage`."""
