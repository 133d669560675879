"""Tests of who may do what, and from where."""
