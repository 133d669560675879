"""What all tables of a sheet have in common."""

from __future__ import annotations

from typing import Annotated, Literal

from pydantic import BaseModel, ConfigDict, Field


class Table(BaseModel):
    """A TOML table in which an unknown key is a fault."""

    model_config = ConfigDict(extra="forbid", frozen=True)


class Sheet(Table):
    """A TOML file that names its own format version."""

    format: Annotated[Literal[1], Field(description="format = 1")]
