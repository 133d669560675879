"""Coherence between a run's quantities: which tap a force follows, and pairs in full."""
