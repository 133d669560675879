"""Tests of tables, engine and migrations."""
