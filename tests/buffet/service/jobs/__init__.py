"""Tests of analyses as jobs."""
