"""An open cabin in the sheets, and the speed of sound that its likeness needs."""

from pathlib import Path

import pytest

from ingest import OpenCabin, open_campaign
from ingest.air import StatedAir, sound_speed_m_s
from ingest.flow import flow_state
from tests.ingest.campaigns import CAMPAIGN, VEHICLE, write_campaign
from tests.ingest.test_air import a_run


def test_a_cabin_is_read_in_si(tmp_path: Path) -> None:
    """Volumes in litres and cubic metres, the neck in millimetres."""
    stated = {"volume": "3200 l", "opening": "0.3 m^2", "opening_length": "40 cm", "neck": "2 mm"}
    model = {**CAMPAIGN["model"], "cabin_volume": "86.4 l"}
    folder = write_campaign(
        tmp_path, campaign=CAMPAIGN | {"model": model}, vehicle=VEHICLE | {"cabin": stated}
    )

    campaign = open_campaign(folder)

    assert campaign.model is not None
    assert campaign.model.cabin_volume_m3 == pytest.approx(0.0864)
    assert campaign.vehicle is not None
    assert campaign.vehicle.cabin == OpenCabin(
        pytest.approx(3.2), 0.3, pytest.approx(0.4), pytest.approx(0.002)
    )


def test_a_closed_car_states_nothing(tmp_path: Path) -> None:
    """Length and neck of an opening may be left out, and so may the whole of it."""
    folder = write_campaign(tmp_path)
    campaign = open_campaign(folder)

    assert campaign.model is not None
    assert campaign.model.cabin_volume_m3 is None
    assert OpenCabin(3.0, 0.3) == OpenCabin(3.0, 0.3, None, 0.0)


@pytest.mark.parametrize(
    ("temperature_k", "printed"), [(288.15, 340.294), (273.15, 331.3), (293.15, 343.2)]
)
def test_speed_of_sound_is_the_standard_atmospheres(temperature_k: float, printed: float) -> None:
    """US Standard Atmosphere 1976 at sea level; 331.3 and 343.2 m/s are the handbooks' (memory)."""
    decimals = len(str(printed).partition(".")[2])

    assert sound_speed_m_s(temperature_k) == pytest.approx(printed, abs=0.5 * 10.0**-decimals)


def test_mach_number_of_a_run() -> None:
    """30 m/s at 15 °C; water has none here."""
    air = flow_state(a_run(StatedAir(speed_m_s=30.0, temperature_k=288.15)), None, {})
    water = flow_state(
        a_run(StatedAir(speed_m_s=2.0, density_kg_m3=998.0, viscosity_pa_s=1.0e-3)), None, {}
    )

    assert air is not None
    assert air.mach == pytest.approx(30 / 340.294, rel=2e-6)
    assert water is not None
    assert water.mach is None
