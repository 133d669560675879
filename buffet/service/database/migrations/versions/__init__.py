"""One module a step; alembic finds them by their `revision` and `down_revision`."""
