"""A balance's calibration as the JSON document that other people's scripts rely on."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from buffet.calibrating.fit import Calibration
from buffet.calibrating.judging import judge, significant
from buffet.json_values import Document, number

Array = NDArray[np.float64]

NO_DELETION = "every loading determines a term alone"


def calibration_document(calibration: Calibration) -> Document:
    """What `calibrate --json` prints; loads and readings in the table's units."""
    table, judged = calibration.table, judge(calibration)
    return {
        "format": "buffet/calibration",
        "version": 1,
        "judgement": judged.word,
        "worst_load": judged.load,
        "worst_share_of_full_scale": number(judged.share),
        "cautions": list(judged.cautions),
        "source": table.path.name,
        "sha256": table.sha256,
        "form": calibration.settings.form,
        "terms": calibration.term_set,
        "terms_fitted": len(calibration.terms),
        "loadings": len(table.lines),
        "series": list(table.series_names),
        "degrees_of_freedom": calibration.fit.freedom,
        "condition_number": number(calibration.condition),
        "bridge_unit": table.bridge_unit,
        "bridge_zeros": [
            dict(zip(table.bridges, row.tolist(), strict=True)) for row in calibration.zeros
        ],
        "loads": [_load(calibration, i) for i in range(len(table.loads))],
        "outputs": [_output(calibration, k) for k in range(len(calibration.outputs))],
        "left_out": [{"term": one.term, "why": one.why} for one in calibration.left_out],
        "interactions": [
            {
                "output": one.output,
                "term": str(one),
                "kind": one.kind,
                "inputs": list(one.inputs),
                "share_at_full_scale": number(one.share),
                "is_interaction": not one.is_main,
            }
            for one in calibration.influences
        ],
        "columns_not_used": list(table.ignored),
    }


def _load(calibration: Calibration, index: int) -> Document:
    table = calibration.table
    residuals = calibration.load_residuals[:, index]
    worst = int(np.abs(residuals).argmax())
    left_out = number(calibration.deletion_deviation[index])
    return {
        "load": table.loads[index],
        "unit": table.load_units[index],
        "full_scale": number(table.full_scale[index]),
        "standard_deviation": number(calibration.load_deviation[index]),
        "left_out_deviation": left_out,
        "left_out_why": NO_DELETION if left_out is None else None,
        "largest_residual": number(residuals[worst]),
        "largest_at_line": table.lines[worst],
        "residuals": [number(value) for value in residuals],
    }


def _output(calibration: Calibration, column: int) -> Document:
    fit = calibration.fit
    columns: dict[str, Array] = {
        "coefficient": fit.coefficients,
        "standard_error": fit.standard_errors,
        "t_value": fit.t_values,
        "p_value": fit.p_values,
    }
    return {
        "output": calibration.outputs[column],
        "standard_deviation": number(fit.deviation[column]),
        "largest_residual": number(np.abs(fit.residuals[:, column]).max()),
        "coefficients": [
            {
                "term": name,
                **{key: number(values[i, column]) for key, values in columns.items()},
                "significant": bool(significant(calibration)[i, column]),
                "variance_inflation": number(fit.inflation[i]),
            }
            for i, name in enumerate(calibration.term_names)
        ],
    }
