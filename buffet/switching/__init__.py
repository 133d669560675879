"""One state or two: whether a wake reattaches and separates by turns, or flips side."""
