"""Tests of what takes uploads in."""
