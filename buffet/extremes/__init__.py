"""Largest and smallest values to expect, by order statistics and a Gumbel law."""
