"""Tests of the service."""
