"""Files in, calibrated records out: sheets, readers, checks, zeros, air and axes."""

from __future__ import annotations

from importlib import import_module
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from ingest.air import ROAD_AIR as ROAD_AIR
    from ingest.air import RoadAir as RoadAir
    from ingest.air import StatedAir as StatedAir
    from ingest.air import density_kg_m3 as density_kg_m3
    from ingest.air import viscosity_pa_s as viscosity_pa_s
    from ingest.axes import Quantity as Quantity
    from ingest.axes import run_quantities as run_quantities
    from ingest.balance import Balance as Balance
    from ingest.balance import Form as Form
    from ingest.balance import NotSettledError as NotSettledError
    from ingest.balance import Term as Term
    from ingest.balance import term_values as term_values
    from ingest.balance_influence import Influence as Influence
    from ingest.balance_influence import influences as influences
    from ingest.balance_influence import written_term as written_term
    from ingest.balance_sheet import balance_from_table as balance_from_table
    from ingest.balance_sheet import bridge_scale as bridge_scale
    from ingest.balance_sheet import load_scale as load_scale
    from ingest.balance_sheet import matrix_condition as matrix_condition
    from ingest.balance_sheet import read_balance as read_balance
    from ingest.blockage import continuity_factor as continuity_factor
    from ingest.blockage import maskell_factor as maskell_factor
    from ingest.blockage import with_blockage as with_blockage
    from ingest.campaign import Campaign as Campaign
    from ingest.campaign import natural_order as natural_order
    from ingest.campaign import open_campaign as open_campaign
    from ingest.campaign import with_cache as with_cache
    from ingest.campaign_checks import wheelbase_problem as wheelbase_problem
    from ingest.channel import FORCES as FORCES
    from ingest.channel import MEASURES as MEASURES
    from ingest.channel import MOMENTS as MOMENTS
    from ingest.channel import PRESSURES as PRESSURES
    from ingest.channel import PROBE as PROBE
    from ingest.channel import Channel as Channel
    from ingest.errors import CacheError as CacheError
    from ingest.errors import IngestError as IngestError
    from ingest.errors import NoCampaignError as NoCampaignError
    from ingest.errors import QuantityError as QuantityError
    from ingest.errors import RecordingError as RecordingError
    from ingest.errors import RecordUseError as RecordUseError
    from ingest.errors import SheetError as SheetError
    from ingest.errors import SheetFault as SheetFault
    from ingest.errors import StoreError as StoreError
    from ingest.errors import UnknownRunError as UnknownRunError
    from ingest.findings import SEVERITIES as SEVERITIES
    from ingest.findings import Finding as Finding
    from ingest.findings import percent as percent
    from ingest.findings import three_digits as three_digits
    from ingest.flow import Blockage as Blockage
    from ingest.flow import FlowState as FlowState
    from ingest.flow import flow_state as flow_state
    from ingest.inertia import inertia_findings as inertia_findings
    from ingest.measured_response import MeasuredResponse as MeasuredResponse
    from ingest.model import Model as Model
    from ingest.model import TestSection as TestSection
    from ingest.provenance import Provenance as Provenance
    from ingest.provenance import Step as Step
    from ingest.provenance import package_version as package_version
    from ingest.readers.byte_source import file_digest as file_digest
    from ingest.record import Record as Record
    from ingest.record import Run as Run
    from ingest.rig import USABLE_SHARE_OF_CUTOFF as USABLE_SHARE_OF_CUTOFF
    from ingest.rig import CorrectionBounds as CorrectionBounds
    from ingest.rig import RigResponse as RigResponse
    from ingest.rig import TubingCorrection as TubingCorrection
    from ingest.rig import rig_response as rig_response
    from ingest.sheet_faults import parse_toml as parse_toml
    from ingest.sheet_text import run_sheet_faults as run_sheet_faults
    from ingest.small_tables import SmallRow as SmallRow
    from ingest.small_tables import SmallTable as SmallTable
    from ingest.small_tables import finite_number as finite_number
    from ingest.small_tables import small_table as small_table
    from ingest.stored import StoredRun as StoredRun
    from ingest.stored import fetching_into as fetching_into
    from ingest.stored import open_stored_campaign as open_stored_campaign
    from ingest.tap_record import open_at_taps as open_at_taps
    from ingest.tubing import Tube as Tube
    from ingest.tubing import gas_at as gas_at
    from ingest.tunnel import Rotation as Rotation
    from ingest.units import parse_quantity as parse_quantity
    from ingest.vehicle import BODY_MOTIONS as BODY_MOTIONS
    from ingest.vehicle import Axle as Axle
    from ingest.vehicle import BodyMotion as BodyMotion
    from ingest.vehicle import MeasuredMode as MeasuredMode
    from ingest.vehicle import OpenCabin as OpenCabin
    from ingest.vehicle import RoadLoad as RoadLoad
    from ingest.vehicle import Seat as Seat
    from ingest.vehicle import Steering as Steering
    from ingest.vehicle import Vehicle as Vehicle
    from ingest.vehicle_sheet import read_vehicle as read_vehicle
    from ingest.zero_runs import zeros_of as zeros_of
    from ingest.zeros import ZeroReading as ZeroReading

# Where each name lives; nothing is loaded before it is asked for.
_HOME = {
    "Axle": "vehicle",
    "BODY_MOTIONS": "vehicle",
    "BodyMotion": "vehicle",
    "MeasuredMode": "vehicle",
    "MeasuredResponse": "measured_response",
    "OpenCabin": "vehicle",
    "Seat": "vehicle",
    "Balance": "balance",
    "Blockage": "flow",
    "CacheError": "errors",
    "Campaign": "campaign",
    "Channel": "channel",
    "CorrectionBounds": "rig",
    "FORCES": "channel",
    "Finding": "findings",
    "FlowState": "flow",
    "Form": "balance",
    "Influence": "balance_influence",
    "IngestError": "errors",
    "MEASURES": "channel",
    "MOMENTS": "channel",
    "Model": "model",
    "NoCampaignError": "errors",
    "NotSettledError": "balance",
    "PRESSURES": "channel",
    "PROBE": "channel",
    "Provenance": "provenance",
    "Quantity": "axes",
    "QuantityError": "errors",
    "ROAD_AIR": "air",
    "Record": "record",
    "RecordUseError": "errors",
    "RecordingError": "errors",
    "RigResponse": "rig",
    "RoadAir": "air",
    "RoadLoad": "vehicle",
    "Rotation": "tunnel",
    "Run": "record",
    "SEVERITIES": "findings",
    "SmallRow": "small_tables",
    "SmallTable": "small_tables",
    "SheetError": "errors",
    "SheetFault": "errors",
    "StatedAir": "air",
    "Steering": "vehicle",
    "Step": "provenance",
    "StoreError": "errors",
    "StoredRun": "stored",
    "Term": "balance",
    "TestSection": "model",
    "Tube": "tubing",
    "TubingCorrection": "rig",
    "USABLE_SHARE_OF_CUTOFF": "rig",
    "UnknownRunError": "errors",
    "Vehicle": "vehicle",
    "ZeroReading": "zeros",
    "balance_from_table": "balance_sheet",
    "bridge_scale": "balance_sheet",
    "continuity_factor": "blockage",
    "density_kg_m3": "air",
    "fetching_into": "stored",
    "finite_number": "small_tables",
    "file_digest": "readers.byte_source",
    "flow_state": "flow",
    "gas_at": "tubing",
    "inertia_findings": "inertia",
    "influences": "balance_influence",
    "maskell_factor": "blockage",
    "matrix_condition": "balance_sheet",
    "load_scale": "balance_sheet",
    "natural_order": "campaign",
    "open_at_taps": "tap_record",
    "open_campaign": "campaign",
    "open_stored_campaign": "stored",
    "package_version": "provenance",
    "parse_quantity": "units",
    "parse_toml": "sheet_faults",
    "percent": "findings",
    "read_balance": "balance_sheet",
    "read_vehicle": "vehicle_sheet",
    "rig_response": "rig",
    "run_quantities": "axes",
    "run_sheet_faults": "sheet_text",
    "small_table": "small_tables",
    "term_values": "balance",
    "three_digits": "findings",
    "viscosity_pa_s": "air",
    "wheelbase_problem": "campaign_checks",
    "with_blockage": "blockage",
    "with_cache": "campaign",
    "written_term": "balance_influence",
    "zeros_of": "zero_runs",
}

__all__ = sorted(_HOME)


def __getattr__(name: str) -> Any:
    """Load the module that holds a name when it is first asked for."""
    if name not in _HOME:
        raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
    return getattr(import_module(f"{__name__}.{_HOME[name]}"), name)


def __dir__() -> list[str]:
    return list(__all__)
