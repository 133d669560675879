"""From nothing: tokens, sessions, the audit log; campaigns, files, runs; jobs and results."""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0001"
down_revision = None

SHA256 = sa.String(64)


def upgrade() -> None:
    """Make all tables."""
    _access()
    _campaigns()
    _jobs()
    _results()


def _id(table: str) -> tuple[sa.Column[int], sa.PrimaryKeyConstraint]:
    return (
        sa.Column("id", sa.Integer(), nullable=False),
        sa.PrimaryKeyConstraint("id", name=f"pk_{table}"),
    )


def _of(table: str, column: str, other: str) -> tuple[sa.Column[int], sa.ForeignKeyConstraint]:
    name = f"fk_{table}_{column}"
    return (
        sa.Column(column, sa.Integer(), nullable=False),
        sa.ForeignKeyConstraint([column], [f"{other}.id"], name=name, ondelete="CASCADE"),
    )


def _unique_while(null: str, table: str, name: str, columns: list[str]) -> None:
    where = sa.text(f"{null} IS NULL")
    op.create_index(name, table, columns, unique=True, sqlite_where=where, postgresql_where=where)


def _access() -> None:
    op.create_table(
        "tokens",
        *_id("tokens"),
        sa.Column("name", sa.String(200), nullable=False),
        sa.Column("role", sa.String(20), nullable=False),
        sa.Column("sha256", SHA256, nullable=False),
        sa.Column("created_at", sa.Float(), nullable=False),
        sa.Column("expires_at", sa.Float(), nullable=False),
        sa.Column("revoked_at", sa.Float()),
        sa.Column("used_at", sa.Float()),
        sa.UniqueConstraint("sha256", name="uq_tokens_sha256"),
    )
    _unique_while("revoked_at", "tokens", "uq_tokens_name", ["name"])
    op.create_table(
        "sessions",
        *_id("sessions"),
        sa.Column("sha256", SHA256, nullable=False),
        *_of("sessions", "token_id", "tokens"),
        sa.Column("created_at", sa.Float(), nullable=False),
        sa.Column("expires_at", sa.Float(), nullable=False),
        sa.UniqueConstraint("sha256", name="uq_sessions_sha256"),
    )
    op.create_table(
        "audit",
        *_id("audit"),
        sa.Column("at", sa.Float(), nullable=False),
        sa.Column("actor", sa.String(200), nullable=False),
        sa.Column("role", sa.String(20), nullable=False),
        sa.Column("address", sa.String(100), nullable=False),
        sa.Column("action", sa.String(60), nullable=False),
        sa.Column("object", sa.String(200), nullable=False),
        sa.Column("details", sa.JSON(), nullable=False),
        sqlite_autoincrement=True,
    )
    op.create_index("ix_audit_at", "audit", ["at"])


def _campaigns() -> None:
    op.create_table(
        "campaigns",
        *_id("campaigns"),
        sa.Column("title", sa.Text(), nullable=False),
        sa.Column("baseline", sa.Text()),
        sa.Column("configurations", sa.JSON(), nullable=False),
        sa.Column("manifest_sha256", SHA256, nullable=False),
        sa.Column("revision", sa.Integer(), nullable=False),
        sa.Column("waiting", sa.JSON(), nullable=False),
        sa.Column("watched", sa.Text()),
        sa.Column("created_at", sa.Float(), nullable=False),
        sa.Column("changed_at", sa.Float(), nullable=False),
        sa.Column("created_by", sa.String(200), nullable=False),
        sa.Column("binned_at", sa.Float()),
        sa.Column("binned_by", sa.String(200)),
        sqlite_autoincrement=True,
    )
    op.create_index("ix_campaigns_changed_at", "campaigns", ["changed_at", "id"])
    _unique_while("binned_at", "campaigns", "uq_campaigns_watched", ["watched"])
    op.create_table(
        "files",
        *_id("files"),
        *_of("files", "campaign_id", "campaigns"),
        sa.Column("name", sa.Text(), nullable=False),
        sa.Column("sha256", SHA256, nullable=False),
        sa.Column("size", sa.BigInteger(), nullable=False),
        sa.Column("added_at", sa.Float(), nullable=False),
        sa.Column("binned_at", sa.Float()),
        sa.Column("binned_run", sa.Text()),
    )
    op.create_index("ix_files_campaign_id", "files", ["campaign_id"])
    op.create_index("ix_files_sha256", "files", ["sha256"])
    _unique_while("binned_at", "files", "uq_files_campaign_id_name", ["campaign_id", "name"])
    _runs()


def _runs() -> None:
    op.create_table(
        "runs",
        *_id("runs"),
        *_of("runs", "campaign_id", "campaigns"),
        sa.Column("position", sa.Integer(), nullable=False),
        sa.Column("number", sa.Text(), nullable=False),
        sa.Column("kind", sa.String(20), nullable=False),
        sa.Column("configuration", sa.Text()),
        sa.Column("sheet", sa.Text(), nullable=False),
        sa.Column("files", sa.JSON(), nullable=False),
        sa.Column("size", sa.BigInteger(), nullable=False),
        sa.Column("details", sa.JSON(), nullable=False),
        sa.Column("is_waiting", sa.Boolean(), nullable=False),
        sa.UniqueConstraint("campaign_id", "number", name="uq_runs_campaign_id"),
    )


def _jobs() -> None:
    op.create_table(
        "jobs",
        *_id("jobs"),
        *_of("jobs", "campaign_id", "campaigns"),
        sa.Column("kind", sa.String(20), nullable=False),
        sa.Column("settings", sa.JSON(), nullable=False),
        sa.Column("manifest_sha256", SHA256, nullable=False),
        sa.Column("result_key", SHA256, nullable=False),
        sa.Column("state", sa.String(20), nullable=False),
        sa.Column("attempts", sa.Integer(), nullable=False),
        sa.Column("error", sa.Text()),
        sa.Column("created_at", sa.Float(), nullable=False),
        sa.Column("started_at", sa.Float()),
        sa.Column("ended_at", sa.Float()),
        sa.Column("created_by", sa.String(200), nullable=False),
        sqlite_autoincrement=True,
    )
    op.create_index("ix_jobs_campaign_id", "jobs", ["campaign_id", "id"])
    op.create_index("ix_jobs_result_key", "jobs", ["result_key"])
    op.create_index("ix_jobs_state", "jobs", ["state"])
    op.create_table(
        "job_events",
        *_of("job_events", "job_id", "jobs"),
        sa.Column("number", sa.Integer(), nullable=False, autoincrement=False),
        sa.Column("at", sa.Float(), nullable=False),
        sa.Column("kind", sa.String(20), nullable=False),
        sa.Column("data", sa.JSON(), nullable=False),
        sa.PrimaryKeyConstraint("job_id", "number", name="pk_job_events"),
    )


def _results() -> None:
    op.create_table(
        "results",
        sa.Column("key", SHA256, nullable=False),
        *_of("results", "campaign_id", "campaigns"),
        sa.Column("kind", sa.String(20), nullable=False),
        sa.Column("sha256", SHA256, nullable=False),
        sa.Column("size", sa.BigInteger(), nullable=False),
        sa.Column("media_type", sa.String(100), nullable=False),
        sa.Column("created_at", sa.Float(), nullable=False),
        sa.PrimaryKeyConstraint("key", name="pk_results"),
    )
    op.create_index("ix_results_campaign_id", "results", ["campaign_id"])
    op.create_index("ix_results_sha256", "results", ["sha256"])
