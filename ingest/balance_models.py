"""What a balance file may hold: keys, kinds and limits."""

from __future__ import annotations

from typing import Annotated

from pydantic import AfterValidator, Field, StrictStr, field_validator, model_validator

from ingest.balance import Form, TermKind, inputs_of
from ingest.channel import FORCES, MOMENTS
from ingest.sheet_faults import nearest
from ingest.sheet_tables import Sheet, Table
from ingest.sheet_values import Frequency, Name, Number, NumberWithUnit, Point, Share, fault

LOADS = (*FORCES, *MOMENTS)
# Of a load's full scale; far below any balance's scatter, far above rounding.
DEFAULT_RESIDUAL = 1e-8


def _load(given: str) -> str:
    if given not in LOADS:
        raise fault(f"got {given!r}, which is no load{nearest(given, LOADS)}")
    return given


Load = Annotated[StrictStr, AfterValidator(_load)]
Names = Annotated[list[Name], Field(min_length=1, description="a list of names")]
Matrix = Annotated[
    list[list[Number]], Field(min_length=1, description="a list of rows, each a list of numbers")
]


class BalanceTable(Table):
    """[balance]: form, names and linear part."""

    form: Annotated[Form, Field(description="'iterative' or 'direct'")]
    bridges: Names
    bridge_unit: Annotated[StrictStr, Field(description="the bridges' unit, e.g. 'V' or 'mV/V'")]
    loads: Annotated[list[Load], Field(min_length=1, description="a list of loads, e.g. ['lift']")]
    load_units: Names
    reference_point: Point = Field(default_factory=lambda: [0.0, 0.0, 0.0])
    matrix: Matrix
    residual: Annotated[Number, Field(gt=0.0, lt=1.0, description="a number such as 1e-8")] = (
        DEFAULT_RESIDUAL
    )

    @model_validator(mode="after")
    def _loads_have_units(self) -> BalanceTable:
        if len(self.load_units) != len(self.loads):
            problem = f"wanted {len(self.loads)} units, one a load, got {len(self.load_units)}"
            raise fault(problem, "load_units")
        return self


class TermTable(Table):
    """[[term]]: one term that is not linear."""

    output: Name
    inputs: Names
    kind: Annotated[TermKind, Field(description="a kind of term such as 'FG'")]
    coefficient: Number

    @model_validator(mode="after")
    def _has_its_inputs(self) -> TermTable:
        wanted = inputs_of(self.kind)
        if len(self.inputs) != wanted:
            each = "one input" if wanted == 1 else "two inputs"
            raise fault(f"kind {self.kind!r} has {each}, got {len(self.inputs)}", "inputs")
        return self


class ResonanceTable(Table):
    """[resonance.LOAD]: of the balance with the model on it, in one direction."""

    natural_frequency: Frequency
    damping: Share | None = None


Range = Annotated[
    list[NumberWithUnit],
    Field(min_length=2, max_length=2, description="two loads, e.g. ['-500 N', '500 N']"),
]


class BalanceSheet(Sheet):
    """A balance file."""

    balance: Annotated[BalanceTable, Field(description="a [balance] table")]
    term: list[TermTable] = Field(default_factory=list)
    envelope: dict[str, Range] = Field(default_factory=dict)
    uncertainty: dict[str, NumberWithUnit] = Field(default_factory=dict)
    resonance: dict[str, ResonanceTable] = Field(default_factory=dict)

    @field_validator("balance")
    @classmethod
    def _iterates_over_a_square_matrix(cls, table: BalanceTable) -> BalanceTable:
        if table.form == "iterative" and len(table.bridges) != len(table.loads):
            problem = (
                f"the iterative form needs as many bridges as loads, got {len(table.bridges)} "
                f"bridges and {len(table.loads)} loads; the direct form takes any number"
            )
            raise fault(problem, "bridges")
        return table
