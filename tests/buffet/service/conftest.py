"""Fixtures of all tests of the service."""

from tests.buffet.service.databases import empty_settings, engine, postgresql, settings

__all__ = ["empty_settings", "engine", "postgresql", "settings"]
