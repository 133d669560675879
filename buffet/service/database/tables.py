"""The tables of the catalogue, alike in SQLite and PostgreSQL.

Times are seconds since 1970 in UTC, so that both databases sort and compare them alike. Files stand
outside, under their SHA-256 (`blobs.py`): a row names content that is on disk already.
"""

from __future__ import annotations

from sqlalchemy import (
    JSON,
    BigInteger,
    Boolean,
    Column,
    Float,
    ForeignKey,
    Index,
    Integer,
    MetaData,
    String,
    Table,
    Text,
    UniqueConstraint,
    text,
)

# Constraints need names for migrations to find them in either database.
METADATA = MetaData(
    naming_convention={
        "ix": "ix_%(table_name)s_%(column_0_name)s",
        "uq": "uq_%(table_name)s_%(column_0_name)s",
        "fk": "fk_%(table_name)s_%(column_0_name)s",
        "pk": "pk_%(table_name)s",
    }
)
_SHA256 = String(64)
_LIVE = text("binned_at IS NULL")
_NOT_REVOKED = text("revoked_at IS NULL")

TOKENS = Table(
    "tokens",
    METADATA,
    Column("id", Integer, primary_key=True),
    Column("name", String(200), nullable=False),
    Column("role", String(20), nullable=False),  # reader, engineer, owner
    Column("sha256", _SHA256, nullable=False, unique=True),
    Column("created_at", Float, nullable=False),
    Column("expires_at", Float, nullable=False),
    Column("revoked_at", Float),
    Column("used_at", Float),
    Index(
        "uq_tokens_name",
        "name",
        unique=True,
        sqlite_where=_NOT_REVOKED,
        postgresql_where=_NOT_REVOKED,
    ),
)
SESSIONS = Table(  # of browsers; they end with their token
    "sessions",
    METADATA,
    Column("id", Integer, primary_key=True),
    Column("sha256", _SHA256, nullable=False, unique=True),
    Column("token_id", ForeignKey("tokens.id", ondelete="CASCADE"), nullable=False),
    Column("created_at", Float, nullable=False),
    Column("expires_at", Float, nullable=False),
)
CAMPAIGNS = Table(
    "campaigns",
    METADATA,
    Column("id", Integer, primary_key=True),
    Column("title", Text, nullable=False),
    Column("baseline", Text),
    Column("configurations", JSON, nullable=False),  # names, the baseline first
    Column("manifest_sha256", _SHA256, nullable=False),
    Column("revision", Integer, nullable=False),  # counts changes
    Column("waiting", JSON, nullable=False),  # faults that another run may still settle
    Column("watched", Text),  # name of the folder under the watched one
    Column("created_at", Float, nullable=False),
    Column("changed_at", Float, nullable=False),
    Column("created_by", String(200), nullable=False),
    Column("binned_at", Float),
    Column("binned_by", String(200)),
    Index("ix_campaigns_changed_at", "changed_at", "id"),
    # One watched folder is one campaign.
    Index(
        "uq_campaigns_watched",
        "watched",
        unique=True,
        sqlite_where=_LIVE,
        postgresql_where=_LIVE,
    ),
    sqlite_autoincrement=True,  # an address never comes to mean another campaign
)
FILES = Table(
    "files",
    METADATA,
    Column("id", Integer, primary_key=True),
    Column("campaign_id", ForeignKey("campaigns.id", ondelete="CASCADE"), nullable=False),
    Column("name", Text, nullable=False),  # relative to the campaign folder
    Column("sha256", _SHA256, nullable=False, index=True),
    Column("size", BigInteger, nullable=False),
    Column("added_at", Float, nullable=False),
    Column("binned_at", Float),  # with the run that alone names it
    Column("binned_run", Text),
    Index("ix_files_campaign_id", "campaign_id"),  # those in the bin, too
    Index(
        "uq_files_campaign_id_name",
        "campaign_id",
        "name",
        unique=True,
        sqlite_where=_LIVE,
        postgresql_where=_LIVE,
    ),
)
RUNS = Table(  # what the last inspection found; written anew with each revision
    "runs",
    METADATA,
    Column("id", Integer, primary_key=True),
    Column("campaign_id", ForeignKey("campaigns.id", ondelete="CASCADE"), nullable=False),
    Column("position", Integer, nullable=False),
    Column("number", Text, nullable=False),
    Column("kind", String(20), nullable=False),
    Column("configuration", Text),
    Column("sheet", Text, nullable=False),
    Column("files", JSON, nullable=False),  # names of recordings and of what else only it names
    Column("size", BigInteger, nullable=False),
    Column("details", JSON, nullable=False),
    Column("is_waiting", Boolean, nullable=False),
    UniqueConstraint("campaign_id", "number"),
)
JOBS = Table(
    "jobs",
    METADATA,
    Column("id", Integer, primary_key=True),
    Column("campaign_id", ForeignKey("campaigns.id", ondelete="CASCADE"), nullable=False),
    Column("kind", String(20), nullable=False),
    Column("settings", JSON, nullable=False),
    Column("manifest_sha256", _SHA256, nullable=False),
    Column("result_key", _SHA256, nullable=False, index=True),
    Column("state", String(20), nullable=False, index=True),
    Column("attempts", Integer, nullable=False),
    Column("error", Text),
    Column("created_at", Float, nullable=False),
    Column("started_at", Float),
    Column("ended_at", Float),
    Column("created_by", String(200), nullable=False),
    Index("ix_jobs_campaign_id", "campaign_id", "id"),
    sqlite_autoincrement=True,
)
JOB_EVENTS = Table(
    "job_events",
    METADATA,
    Column("job_id", ForeignKey("jobs.id", ondelete="CASCADE"), primary_key=True),
    Column("number", Integer, primary_key=True, autoincrement=False),
    Column("at", Float, nullable=False),
    Column("kind", String(20), nullable=False),
    Column("data", JSON, nullable=False),
)
RESULTS = Table(
    "results",
    METADATA,
    Column("key", _SHA256, primary_key=True),
    Column("campaign_id", ForeignKey("campaigns.id", ondelete="CASCADE"), nullable=False),
    Column("kind", String(20), nullable=False),
    Column("sha256", _SHA256, nullable=False, index=True),
    Column("size", BigInteger, nullable=False),
    Column("media_type", String(100), nullable=False),
    Column("created_at", Float, nullable=False),
    Index("ix_results_campaign_id", "campaign_id"),
)
AUDIT = Table(  # who changed what; rows are only ever added
    "audit",
    METADATA,
    Column("id", Integer, primary_key=True),
    Column("at", Float, nullable=False, index=True),
    Column("actor", String(200), nullable=False),
    Column("role", String(20), nullable=False),
    Column("address", String(100), nullable=False),
    Column("action", String(60), nullable=False),
    Column("object", String(200), nullable=False),
    Column("details", JSON, nullable=False),
    sqlite_autoincrement=True,
)
