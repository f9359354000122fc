"""What stands out among the songs of a record, and why."""

from __future__ import annotations

import numpy as np
import pytest
from overviews import outcome, usual

from chainkit.songbook.overview import overview


def marks(*outcomes):
    return overview("Example", outcomes).marks


def test_a_de_esser_that_works_harder_is_told_with_its_cause():
    found = marks(*usual(1, 2, 3, 5, 6, 7), outcome(4, deess=3.0, sibilance=2.0))
    assert found == [
        "song 4 (Song 4), lead: de-esser works 2.8 dB harder than the median; "
        "its sibilants are 1.8 dB above the others"
    ]


def test_the_largest_cause_is_told():
    found = marks(*usual(1, 2, 3, 5, 6, 7), outcome(4, compress=4.0, spread=5.0))
    assert found == [
        "song 4 (Song 4), lead: compressor works 3.8 dB harder than the median; "
        "its loudness ranges over 5.2 LU more"
    ]


def test_a_changed_value_is_the_cause():
    changed = outcome(4, compress=-4.0, changes=[("compress.threshold", "-10 dB")])
    assert marks(*usual(1, 2, 3, 5, 6, 7), changed) == [
        "song 4 (Song 4), lead: compressor works 4.2 dB less than the median; "
        "compress.threshold is -10 dB here"
    ]


def test_without_a_cause_nothing_is_made_up():
    (found,) = marks(*usual(1, 2, 3, 5, 6, 7), outcome(4, compress=4.0))
    assert found.endswith("the figures of the voice do not tell why")


def test_another_recording_level_stands_out_but_not_behind_the_working_level():
    assert marks(*usual(1, 2, 3, 5, 6, 7), outcome(4, level=-9.0)) == [
        "song 4 (Song 4), lead: was recorded 9.2 dB quieter than the median"
    ]


def test_ordinary_songs_do_not_stand_out():
    assert marks(*usual(1, 2, 3, 4, 5, 6, 7)) == []


def test_three_voices_are_too_few_to_tell():
    assert marks(*usual(1, 2), outcome(3, deess=9.0)) == []


def test_voices_that_are_evenly_apart_have_no_outlier(rng):
    spread = [outcome(n, compress=float(x)) for n, x in enumerate(rng.uniform(-2, 2, 12), start=1)]
    assert marks(*spread) == []


def test_an_evident_outlier_among_four_scattered_songs_is_told():
    """The three others are so far from one another that no score would ever be reached."""
    songs = [outcome(n, deess=x, sibilance=x) for n, x in enumerate((0.0, 1.6, -1.4, 5.0), start=1)]
    assert marks(*songs) == [
        "song 4 (Song 4), lead: de-esser works 4.6 dB harder than the median; "
        "its sibilants are 4.6 dB above the others"
    ]


def test_a_changed_stage_tells_nothing_of_what_is_usual():
    """Three songs with another threshold do not hide the fourth, nor make others stand out."""
    changed = [
        outcome(n, compress=-6.0, changes=[("compress.threshold", "-10 dB")]) for n in (5, 6, 7)
    ]
    found = marks(*usual(1, 2, 3), *changed, outcome(4, compress=4.0, spread=4.0))
    assert sum("compressor works" in mark for mark in found) == 4
    assert not any("song 1" in mark or "song 2" in mark or "song 3" in mark for mark in found)
    assert any(
        mark.startswith("song 4 (Song 4), lead: compressor works 3.7 dB harder") for mark in found
    )


def test_sibilants_of_the_voice_are_told_where_no_stage_tells_of_them():
    assert marks(*usual(1, 2, 3, 5, 6, 7), outcome(4, sibilance=3.0)) == [
        "song 4 (Song 4), lead: was sung with sibilants 2.8 dB above the others"
    ]


def test_a_stage_with_a_name_is_called_by_it():
    songs = [*usual(1, 2, 3, 5, 6, 7), outcome(4, compress=4.0)]
    for found in songs:
        found.record["stages"]["Late"] = found.record["stages"].pop("compress")
    (mark,) = marks(*songs)
    assert mark.startswith("song 4 (Song 4), lead: Late works 3.8 dB harder than the median; ")


def test_figures_that_do_not_exist_are_left_out():
    silent = outcome(4)
    silent.record["levels"]["before"] = dict.fromkeys(silent.record["levels"]["before"])
    silent.record["levels"]["after"] = dict.fromkeys(silent.record["levels"]["after"])
    rows = overview("Example", [*usual(1, 2, 3, 5), silent]).rows
    assert rows[-1].figures["output_lufs"] is None
    assert all(not row.marks for row in rows[:-1])


def test_the_figure_of_a_stage_is_its_work_where_it_is_meant_to_work():
    row = overview("Example", usual(7)).rows[0]
    assert row.work == pytest.approx({"deess": 5.0, "compress": 8.0})
    assert row.stages["compress"]["greatest_db"] == 11.0


def test_the_rule_is_that_of_the_modified_z_score():
    """Iglewicz and Hoaglin (1993): 0.6745·|x − median| / MAD above 3.5; from memory."""
    others = np.array([0.3, -0.4, 0.2, 0.5, -0.3, 0.0])
    away = np.abs(others - np.median(others))
    for extra in (1.72, 2.4):
        songs = [*usual(1, 2, 3, 5, 6, 7), outcome(4, compress=extra)]
        score = 0.6745 * abs(-0.1 + extra - np.median(others)) / np.median(away)
        assert bool(marks(*songs)) == (score > 3.5)
