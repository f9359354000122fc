"""The drawing of `measure`: every file is named, and nothing that is drawn is covered."""

from __future__ import annotations

import numpy as np
import pytest

from chainkit.dsp.meter import VoiceMeter
from chainkit.pages.measure_plot import measurement_sheet, told_apart

RATE = 48000


def measured(rng):
    meter = VoiceMeter(RATE, 1)
    meter.add(0.1 * rng.standard_normal((4 * RATE, 1)))
    return meter.finish()


@pytest.mark.parametrize(
    "names",
    [
        ["a.wav", "b.wav"],
        ["short.wav", "a rather long name of a recording, take 12, second microphone.wav"],
        [f"voice {n}.wav" for n in range(9)],
    ],
)
def test_the_key_names_every_file_and_covers_no_panel(rng, names):
    one = measured(rng)
    sheet = measurement_sheet({f"folder/{name}": one for name in names})
    sheet.draw_without_rendering()
    (key,) = [legend for axes in sheet.axes if (legend := axes.get_legend()) is not None]
    assert [words.get_text() for words in key.get_texts()] == names
    box = key.get_window_extent()
    panels = [axes for axes in sheet.axes if axes.axison]
    assert len(panels) == 2 + len(names)
    assert not any(box.overlaps(axes.get_tightbbox()) for axes in panels)
    assert 0.0 <= box.x0 <= box.x1 <= sheet.bbox.x1
    spectra = panels[0].get_lines()
    for line, sample in zip(spectra, key.get_lines(), strict=True):
        assert (line.get_color(), line.get_linestyle()) == (
            sample.get_color(), sample.get_linestyle(),
        )  # fmt: skip
    assert np.isfinite([line.get_ydata() for line in spectra]).all()


def test_files_of_one_name_are_told_apart_by_the_shortest_path():
    paths = ["rec/one/lead.wav", "rec/two/lead.wav", "double.wav", "/far/a/lead.wav", "lead.wav"]
    told = ["one/lead.wav", "two/lead.wav", "double.wav", "a/lead.wav", "lead.wav"]
    assert told_apart(paths) == told
    deep = ["a/take/lead.wav", "b/take/lead.wav"]
    assert told_apart(deep) == deep


def test_key_and_titles_tell_files_of_one_name_apart(rng):
    one = measured(rng)
    sheet = measurement_sheet({"rec/a/lead.wav": one, "rec/b/lead.wav": one})
    (key,) = [legend for axes in sheet.axes if (legend := axes.get_legend()) is not None]
    assert [words.get_text() for words in key.get_texts()] == ["a/lead.wav", "b/lead.wav"]
    titles = " ".join(axes.get_title(loc="left") for axes in sheet.axes)
    assert "Loudness of a/lead.wav" in titles
    assert "Loudness of b/lead.wav" in titles


def test_the_integrated_loudness_can_be_read_above_the_curves(rng):
    axes = measurement_sheet({"a.wav": measured(rng)}).axes[2]
    (words,) = [text for text in axes.texts if text.get_text().startswith("integrated")]
    assert words.get_zorder() > max(line.get_zorder() for line in axes.get_lines())
    assert words.get_bbox_patch().get_facecolor()[:3] == (1.0, 1.0, 1.0)


def test_one_file_needs_no_key(rng):
    sheet = measurement_sheet({"a.wav": measured(rng)})
    assert [axes.get_legend() for axes in sheet.axes] == [None] * 3
