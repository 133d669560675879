"""The command `plan`."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from buffet.commands.running import done, exit_for, opened, progress, say, told
from buffet.commands.worker_options import on_workers
from buffet.options import CACHE, JSON, SPEED, CampaignType, Place, Quantity

if TYPE_CHECKING:
    from buffet.analysis import CampaignAnalysis
    from buffet.planning.wishes import Wishes
    from buffet.workers.choice import Workers
    from ingest import Campaign

_WITHIN = Quantity("ratio", "5 %", highest="99 %")
_SCATTER = Quantity("ratio", "2 %", highest="100 %")
_TIME = Quantity("time", "10 min")


@click.command()
@click.argument("campaign", required=False, type=CampaignType(path_type=Path))
@click.option(
    "--scale",
    type=Quantity("ratio", "0.30", highest="1"),
    metavar="SHARE",
    help="Model length over full-scale length.",
)
@click.option(
    "--length",
    type=Quantity("length", "0.435 m"),
    metavar="LENGTH",
    help="Strouhal length of the model.",
)
@click.option(
    "--wind-speed",
    type=Quantity("speed", "50 m/s"),
    multiple=True,
    metavar="SPEED",
    help="The fastest, or repeated: each of the sweep.",
)
@click.option("--from", "lowest", type=SPEED, metavar="SPEED", help="Lowest road speed; 80 km/h.")
@click.option("--to", "highest", type=SPEED, metavar="SPEED", help="Highest road speed; 160 km/h.")
@click.option(
    "--band",
    nargs=2,
    type=Quantity("frequency", "20 Hz"),
    metavar="LOW HIGH",
    help='On the road, e.g. "1 Hz" "20 Hz".',
)
@click.option(
    "--strouhal",
    type=click.FloatRange(0, 5, min_open=True),
    metavar="NUMBER",
    help="Expected of the wake; 0.2.",
)
@click.option(
    "--peak-q",
    "quality",
    type=click.FloatRange(2, 1000),
    metavar="NUMBER",
    help="Expected: the peak's frequency over its half-power width.",
)
@click.option(
    "--peak-share",
    type=Quantity("ratio", "70 %", highest="99 %"),
    metavar="SHARE",
    help="Of the variance, expected in the peak.",
)
@click.option(
    "--rms-within", type=_WITHIN, metavar="SHARE", help="Wanted half-width of an RMS; 5 %."
)
@click.option(
    "--strouhal-within", type=_WITHIN, metavar="SHARE", help="Of the Strouhal number; 3 %."
)
@click.option("--onset-within", type=_WITHIN, metavar="SHARE", help="Of the onset speed; 10 %.")
@click.option(
    "--growth",
    type=click.FloatRange(0, 10, min_open=True),
    metavar="POWER",
    help="Of the road speed, with which the motion grows.",
)
@click.option(
    "--run-to-run",
    type=_SCATTER,
    metavar="SHARE",
    help="Standard deviation of an RMS between repeats; 2 %.",
)
@click.option("--repeats", type=click.IntRange(1, 10), help="Chosen without it.")
@click.option(
    "--longest-run",
    "longest_run",
    type=_TIME,
    metavar="TIME",
    help="No run is planned longer; 10 min.",
)
@click.option("--channels", type=click.IntRange(1), help="Columns that are logged; 16.")
@click.option(
    "--bytes-per-value",
    type=click.FloatRange(0, 64, min_open=True),
    metavar="NUMBER",
    help="Of a sample on disk; 4.",
)
@click.option(
    "--highest-rate",
    type=Quantity("frequency", "1 kHz"),
    metavar="FREQUENCY",
    help="That the logger can sample at.",
)
@click.option("--filter-order", type=click.IntRange(1, 20), help="Of a Butterworth filter; 8.")
@click.option(
    "--natural-frequency",
    type=Quantity("frequency", "100 Hz"),
    metavar="FREQUENCY",
    help="Of the balance there is, with the model.",
)
@click.option(
    "--model-mass",
    type=Quantity("mass", "25 kg"),
    metavar="MASS",
    help="For the stiffness of the balance.",
)
@click.option(
    "--tube-bore",
    type=Quantity("length", "1.5 mm", highest="50 mm"),
    metavar="LENGTH",
    help="Of tubes to taps; 1.5 mm.",
)
@click.option(
    "--tube-volume",
    type=Quantity("volume", "300 mm^3"),
    metavar="VOLUME",
    help="Behind a tube, at the sensor; 300 mm^3.",
)
@click.option(
    "--configuration",
    "configurations",
    multiple=True,
    metavar="NAME",
    help="Planned; repeated, the baseline first.",
)
@on_workers
@JSON
@click.option(
    "-o",
    "--output",
    type=click.Path(path_type=Path),
    metavar="FOLDER",
    help="Write run sheets to fill in to a new folder.",
)
@CACHE
@told
def plan(
    campaign: Place | None, workers: Workers, as_json: bool, output: Path | None, **given: Any
) -> None:
    """Rates, record lengths, repeats and rig for the next campaign.

    CAMPAIGN is an earlier one, whose spectra and scatter are used; without it scale, length and
    wind speed must be stated.
    """
    from buffet.documents import dumps
    from buffet.planning.document import plan_document
    from buffet.planning.plan import plan as plan_campaign
    from buffet.planning.sheets import require_new_folder, write_sheets
    from buffet.planning.text import plan_text

    wishes = _wishes(given)
    if output is not None:
        require_new_folder(output)
    source = None if campaign is None else opened(campaign, None)
    planned = plan_campaign(wishes, None if source is None else _read(source, workers), progress)
    done()
    if output is not None:
        write_sheets(planned, output, source)
    say(dumps(plan_document(planned)) if as_json else plan_text(planned))
    if output is not None:
        click.echo(
            f"wrote {len(planned.runs)} run sheets to {output}; `buffet check {output}` lists "
            "what is to be filled in",
            err=True,
        )
    exit_for(planned.failed)


def _read(campaign: Campaign, workers: Workers) -> CampaignAnalysis:
    from buffet.analysis import analyse
    from buffet.peak_search import shedding_peaks
    from buffet.rating.rate import require_rateable

    require_rateable(campaign)
    return analyse(campaign, progress=progress, workers=workers, prepare=shedding_peaks())


def _wishes(given: dict[str, Any]) -> Wishes:
    """Road speeds are a pair; where one alone is given the other is the default's."""
    from buffet.planning.wishes import DEFAULTS, Wishes

    speeds = given["lowest"], given["highest"]
    usual = DEFAULTS["road_speeds_m_s"].value
    pair = tuple(own or other for own, other in zip(speeds, usual, strict=True))
    if pair[0] >= pair[1]:
        raise click.UsageError(
            f"--from must lie below --to; they are {pair[0] * 3.6:.0f} and {pair[1] * 3.6:.0f} km/h"
        )
    return Wishes(
        scale=given["scale"],
        strouhal_length_m=given["length"],
        wind_speeds_m_s=given["wind_speed"],
        road_speeds_m_s=pair if any(speeds) else None,
        band_hz=given["band"],
        strouhal=given["strouhal"],
        quality=given["quality"],
        peak_share=given["peak_share"],
        rms_within=given["rms_within"],
        strouhal_within=given["strouhal_within"],
        onset_within=given["onset_within"],
        growth=given["growth"],
        run_to_run=given["run_to_run"],
        repeats=given["repeats"],
        longest_run_s=given["longest_run"],
        channels=given["channels"],
        bytes_per_value=given["bytes_per_value"],
        highest_rate_hz=given["highest_rate"],
        filter_order=given["filter_order"],
        natural_frequency_hz=given["natural_frequency"],
        model_mass_kg=given["model_mass"],
        tube_bore_m=given["tube_bore"],
        tube_volume_m3=given["tube_volume"],
        configurations=given["configurations"],
    )
