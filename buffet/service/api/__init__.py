"""The HTTP API: the catalogue and its analyses over FastAPI."""
