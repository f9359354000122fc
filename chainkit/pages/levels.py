"""What the figures of a measurement are called, on screens and on pages. Their words alone."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

LABELS = {
    "integrated_lufs": "integrated loudness, LUFS",
    "short_term_max_lufs": "greatest short-term, LUFS",
    "momentary_max_lufs": "greatest momentary, LUFS",
    "loudest_channel_lufs": "loudest channel alone, LUFS",
    "loudness_range_lu": "loudness range, LU",
    "true_peak_dbtp": "true peak, dBTP",
    "sample_peak_dbfs": "sample peak, dBFS",
    "rms_dbfs": "RMS, dBFS",
    "crest_db": "crest factor, dB",
    "peak_to_loudness_db": "peak to loudness, dB",
    "dc_offset": "DC offset, full scale 1",
    "clipped_runs": "clipped runs",
    "first_clipped_seconds": "first clipped, s",
    "noise_floor_dbfs": "noise floor, dBFS",
    "sounding_share": "sounding, share of time",
    "low_mid_db": "low-mid against all, dB",
    "presence_db": "presence against all, dB",
    "air_db": "air against all, dB",
    "sibilance_index_db": "sibilance index, dB",
    "sibilants_a_minute": "sibilants a minute",
    "sibilants_median_db": "sibilants against voice, median, dB",
    "sibilants_p95_db": "sibilants against voice, 95 %, dB",
}
"""Words and unit, by the name in `Measurement` and the render record, in the order of display."""

_OF_A_RENDER = (
    *("loudest_channel_lufs", "integrated_lufs", "loudness_range_lu", "true_peak_dbtp", "crest_db"),
    "sibilance_index_db",
)


def of_a_render(levels: Mapping[str, Any]) -> list[tuple[str, float | None, float | None]]:
    """Label, before and after of the figures that tell what a render did.

    Parameters
    ----------
    levels : mapping
        Of a render record; figures that it lacks are left out, and that of the loudest channel
        where there is one alone.
    """
    before, after = levels["before"], levels["after"]
    keys = _OF_A_RENDER[before.get("channels") == 1 :]
    return [(LABELS[key], before[key], after[key]) for key in keys if key in before]
