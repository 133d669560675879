"""What alembic runs: the steps that are missing, within the transaction that `migrate` began."""

from __future__ import annotations

from alembic import context

from buffet.service.database.tables import METADATA

context.configure(
    connection=context.config.attributes["connection"],
    target_metadata=METADATA,
    transactional_ddl=True,  # SQLite's, too, as engine.py begins its transactions
    render_as_batch=True,
)
context.run_migrations()
