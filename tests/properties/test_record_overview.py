"""What stands out among the songs of a record, and why."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from overviews import OFFSETS, outcome, usual

from chainkit.songbook.departures import figure_of, work_of
from chainkit.songbook.departures import usual as common
from chainkit.songbook.overview import overview
from chainkit.songbook.work import FAILED, NEVER, STALE


def marks(*outcomes):
    return overview("Example", outcomes).marks


def test_a_de_esser_that_works_harder_is_told_with_its_cause():
    found = marks(*usual(1, 2, 3, 5, 6, 7), outcome(4, deess=3.0, sibilance=2.0))
    assert found == [
        "song 4 (Song 4), lead: de-esser works 2.7 dB harder than the median; "
        "its sibilants are 1.7 dB above the median in the recording"
    ]


def test_the_largest_cause_is_told():
    found = marks(*usual(1, 2, 3, 5, 6, 7), outcome(4, compress=4.0, spread=5.0))
    assert found == [
        "song 4 (Song 4), lead: compressor works 3.7 dB harder than the median; "
        "its loudness ranges over 5.1 LU more"
    ]


def test_what_departs_the_other_way_is_no_cause():
    (found,) = marks(*usual(1, 2, 3, 5, 6, 7), outcome(4, compress=4.0, spread=-5.0))
    assert found.endswith("the figures of the voice do not tell why")


def test_a_changed_value_is_the_cause():
    changed = outcome(4, compress=-4.0, changes=[("compress.threshold", "-10 dB")])
    assert marks(*usual(1, 2, 3, 5, 6, 7), changed) == [
        "song 4 (Song 4), lead: compressor works 4.2 dB less than the median; "
        "its changes: compress.threshold −10 dB"
    ]


def test_without_a_cause_nothing_is_made_up():
    (found,) = marks(*usual(1, 2, 3, 5, 6, 7), outcome(4, compress=4.0))
    assert found.endswith("the figures of the voice do not tell why")


def test_another_recording_level_is_told_as_cured_where_the_trim_makes_it_good():
    found = overview("Example", [*usual(1, 2, 3, 5, 6, 7), outcome(4, level=-9.0)])
    assert found.cured == [
        "song 4 (Song 4), lead: was recorded 9.1 dB quieter than the median; the trim cures it"
    ]
    assert found.marks == []
    assert found.rows[-1].outlying == set()


def in_a_mix(number, level=0.0, loudness=0.0, backing=-24.0, changes=()):
    """A song whose voice lies 2 LU below its backing, and so much more."""
    return outcome(number, level=level, loudness=loudness, backing=backing, changes=changes)


UNRELATED = [("eq.bypass", "true")]


def test_files_that_lie_lower_by_as_much_have_the_same_distance():
    """Voice and backing 20 dB lower: the trim lifts the voice alone, and is no difference."""
    low = in_a_mix(4, level=-20.0, backing=-44.0, changes=UNRELATED)
    found = overview("Example", [*map(in_a_mix, (1, 2, 3, 5, 6, 7)), low])
    assert found.marks == []
    assert [mark.split("; ")[-1] for mark in found.cured] == ["the trim cures it"]
    assert found.rows[-1].figures["above_backing_lu"] == pytest.approx(-2.0 + 1.2 * OFFSETS[4])


def test_a_voice_recorded_closer_to_its_backing_is_told_so_and_not_as_its_changes():
    close = in_a_mix(4, backing=-18.0, changes=UNRELATED)
    (mark,) = marks(*map(in_a_mix, (1, 2, 3, 5, 6, 7)), close)
    assert mark == (
        "song 4 (Song 4), lead: stands 6.1 LU less above its backing than the median; "
        "it was recorded 6.1 LU less above it"
    )


def test_what_the_chain_makes_louder_stands_further_above_its_backing():
    louder = in_a_mix(4, loudness=7.0, changes=[("compress.makeup", "12 dB")])
    found = marks(*map(in_a_mix, (1, 2, 3, 5, 6, 7)), louder)
    assert found[0].endswith("louder than the median; its changes: compress.makeup 12 dB")
    assert found[1].endswith(
        "stands 6.6 LU further above its backing than the median; "
        "its changes: compress.makeup 12 dB"
    )


def test_a_trim_that_does_not_make_the_level_good_cures_nothing():
    """A quiet recording with the trim of the others."""
    songs = [*usual(1, 2, 3, 5, 6, 7), outcome(4, level=-9.0)]
    songs[-1].record["trim_db"] = songs[0].record["trim_db"]
    found = overview("Example", songs)
    assert found.cured == []
    (mark,) = found.marks
    assert mark.startswith("song 4 (Song 4), lead: reaches the chain")


def test_another_recording_level_without_a_trim_is_no_more_than_a_reason():
    songs = [*usual(1, 2, 3, 5, 6, 7), outcome(4, level=-9.0, loudness=-9.0)]
    for song in songs:
        song.record["trim_db"] = 0.0
    found = overview("Example", songs)
    assert found.cured == []
    assert found.marks == [
        "song 4 (Song 4), lead: comes out 9.0 LU quieter than the median; "
        "it reaches the chain 9.1 dB quieter"
    ]


def test_what_the_songbook_changes_is_named_as_the_reason():
    """A voice that comes out louder does so for its makeup, not for no reason."""
    louder = outcome(4, loudness=7.0, changes=[("compress.makeup", "12 dB")])
    ridden = outcome(8, loudness=-8.0, rides=Path("moves.csv"))
    assert marks(*usual(1, 2, 3, 5, 6, 7), louder, ridden) == [
        "song 8 (Song 8), lead: comes out 8.0 LU quieter than the median; its rides",
        "song 4 (Song 4), lead: comes out 7.0 LU louder than the median; "
        "its changes: compress.makeup 12 dB",
    ]


def test_a_change_that_most_voices_share_is_no_reason():
    shared = [("compress.makeup", "12 dB")]
    songs = [outcome(n, changes=shared) for n in (1, 2, 3, 5, 6, 7)]
    louder = outcome(4, loudness=7.0, changes=[*shared, ("eq.bypass", "true")])
    (found,) = marks(*songs, louder)
    assert found.endswith("than the median; its changes: eq.bypass true")


@pytest.mark.parametrize(("alike", "told"), [(2, True), (3, False)])
def test_a_change_that_half_of_the_voices_share_is_no_reason(alike, told):
    shared = [("eq.bypass", "true")]
    numbers = (1, 2, 3, 5, 6, 7)
    songs = [outcome(n, changes=shared if i < alike else ()) for i, n in enumerate(numbers)]
    (found,) = marks(*songs, outcome(4, loudness=7.0, changes=shared))
    assert found.endswith("its changes: eq.bypass true") == told


def test_the_most_serious_comes_first():
    """A departure weighs by its share of one that stands out in any case."""
    songs = [
        outcome(4, compress=4.0, noise=40.0), outcome(8, loudness=-20.0), outcome(9, clipped=1),
    ]  # fmt: skip
    found = marks(*usual(1, 2, 3, 5, 6, 7), *songs)
    assert [mark.split(")")[0][-1] for mark in found] == ["8", "4", "4", "9"]
    assert "noise floor" in found[1]
    assert "compressor" in found[2]


def test_a_noisy_voice_stands_out_and_a_clean_one_does_not():
    found = marks(*usual(1, 2, 3, 5, 6, 7), outcome(4, noise=14.0), outcome(8, noise=-14.0))
    assert found == [
        "song 4 (Song 4), lead: its noise floor lies 13.9 dB closer to the voice than the median"
    ]


def test_the_noise_is_that_against_the_voice():
    (row,) = overview("Example", [outcome(7, noise=3.0, level=-5.0)]).rows
    assert row.figures["noise_against_voice_db"] == pytest.approx(-76.0 + 3.0 + 26.0)


def test_one_voice_is_told_alike_on_one_channel_and_on_two():
    """The standard's loudness of two equal channels is 10·lg 2 more (BS.1770-5, equation 2)."""
    mono, dual = outcome(4), outcome(4)
    for levels in dual.record["levels"].values():
        levels["integrated_lufs"] += 3.0103
    dual.record["voice"]["channels"] = 2
    one, other = (overview("Example", [each]).rows[0].figures for each in (mono, dual))
    assert other == pytest.approx(one, abs=1e-3)


def test_clipped_input_stands_out_wherever_it_is():
    """Also where there are too few voices to compare, and where most are clipped."""
    assert marks(outcome(1, clipped=1)) == [
        "song 1 (Song 1), lead: its recording is clipped in 1 place"
    ]
    found = marks(*(outcome(n, clipped=n) for n in range(1, 8)))
    assert len(found) == 7
    assert found[0] == "song 7 (Song 7), lead: its recording is clipped in 7 places"


def test_what_a_render_notes_stands_out_wherever_it_is():
    """Also where there are too few voices to compare; it weighs as much as a clipped place."""
    note = "the output of compress is 5.8 LU quieter than its input: its makeup ends at 48 dB"
    assert marks(outcome(1, notes=[note]), outcome(2), outcome(3, clipped=2)) == [
        "song 3 (Song 3), lead: its recording is clipped in 2 places",
        f"song 1 (Song 1), lead: {note}",
    ]


def test_what_is_out_of_date_stays_in_the_overview():
    """Its figures count as those of an earlier render: an outlier does not vanish."""
    stale = replace(outcome(4, compress=4.0), state=STALE, reason="the chain has changed since")
    never = replace(outcome(8), state=STALE, reason=NEVER, record=None)
    broken = replace(outcome(9), state=FAILED, reason="9.wav is not a sound file", record=None)
    found = overview("Example", [*usual(1, 2, 3, 5, 6, 7), stale, never, broken])
    assert len(found.rows) == 9
    assert [(row.number, row.note) for row in found.lacking] == [
        (4, "out of date: the chain has changed since"),
        (8, "never rendered"),
        (9, "could not be rendered: 9.wav is not a sound file"),
    ]
    assert [row.word for row in found.lacking] == ["out of date", "never rendered", "failed"]
    assert len(found.rendered) == 7
    (mark,) = found.marks
    assert mark.startswith("song 4 (Song 4), lead: compressor works")


def test_renders_of_different_songbooks_are_told_apart():
    """A voice rendered anew among old ones, and an old one among new: no change is the reason."""
    old = [replace(o, state=STALE, reason="the chain has changed since") for o in usual(1, 2, 3)]
    changed = [("compress.makeup", "12 dB")]
    among_old = marks(*old, outcome(4, compress=4.0, changes=[("eq.bypass", "true")]))
    assert among_old[0].endswith("; its changes: eq.bypass true")
    assert marks(*old, outcome(4, compress=4.0))[0].endswith("; most of the others are out of date")
    late = replace(outcome(4, loudness=5.0, changes=changed), state=STALE, reason="changed since")
    (among_new,) = marks(*usual(1, 2, 3), late)
    assert among_new.endswith("than the median; its render is out of date")


def test_a_record_of_another_version_tells_nothing():
    old = replace(outcome(4), state=STALE, reason="made by other versions")
    del old.record["levels"]
    row = overview("Example", [old]).rows[0]
    assert (row.figures, row.stages, row.note) == ({}, {}, "out of date: made by other versions")


def test_the_median_is_that_of_the_role_without_those_that_change_the_stage():
    changed = outcome(4, compress=9.0, changes=[("compress.threshold", "-10 dB")])
    other_role = outcome(8, compress=50.0)
    other_role = replace(other_role, voice=replace(other_role.voice, role="double"))
    rows = overview("Example", [*usual(1, 2, 3, 5, 6, 7), changed, other_role]).rows
    works = [row.work["compress"] for row in rows[:6]]
    assert common(rows, "lead", work_of("compress"), "compress").median == np.median(works)
    trims = [row.figures["trim_db"] for row in rows[:7]]
    assert common(rows, "lead", figure_of("trim_db")).median == np.median(trims)
    assert common(rows, "none", figure_of("trim_db")) is None


# What stands out at the least, and what does in any case (common practice, no source).
LIMITS = [
    *(("deess", 1.5, 3.0), ("compress", 1.5, 3.0), ("sibilance", 1.5, 3.0)),
    *(("loudness", 1.0, 2.5), ("noise", 6.0, 12.0), ("level", 3.0, 9.0)),
]
SIDES = [(what, *limits, side) for what, *limits in LIMITS for side in (-1, 1)]


def departing(what, values):
    """Songs that are alike but for one figure, by how far it is from the same; who is told."""
    songs = [outcome(7 * n, **{what: value}) for n, value in enumerate(values, start=1)]
    return [n for n, row in enumerate(overview("Example", songs).rows, start=1) if row.marks]


@pytest.mark.parametrize(("what", "least", "always", "side"), SIDES)
def test_among_songs_that_are_alike_a_small_departure_does_not_stand_out(what, least, always, side):
    welcome = what == "noise" and side < 0
    assert departing(what, [0.0, 0.0, 0.0, 0.0, side * (least - 0.05)]) == []
    assert departing(what, [0.0, 0.0, 0.0, 0.0, side * (least + 0.05)]) == [5] * (not welcome)


@pytest.mark.parametrize(("what", "least", "always", "side"), SIDES)
def test_among_scattered_songs_only_a_large_departure_stands_out(what, least, always, side):
    """The median is `scatter`, and the others lie 0, 1, 2 and 3 times that from it.

    By Iglewicz and Hoaglin's rule (from memory) one would stand out at 3.5 / 0.6745 * 1.5 = 7.8
    times that; here it is 4 times.
    """
    welcome = what == "noise" and side < 0
    scatter = side * always / 4
    others = [-2 * scatter, -scatter, scatter, 2 * scatter]
    away = scatter + side * always
    assert departing(what, [*others, away - side * 0.05]) == []
    assert departing(what, [*others, away + side * 0.05]) == [5] * (not welcome)


def test_three_voices_are_too_few_to_tell():
    assert marks(*usual(1, 2), outcome(3, deess=9.0)) == []


def test_voices_that_are_evenly_apart_have_no_outlier(rng):
    spread = [outcome(n, compress=float(x)) for n, x in enumerate(rng.uniform(-2, 2, 12), start=1)]
    assert marks(*spread) == []


def test_an_evident_outlier_among_four_scattered_songs_is_told():
    """The three others are so far from one another that no score would ever be reached."""
    songs = [
        outcome(n, deess=x, sibilance=x) for n, x in enumerate((0.0, 1.6, -1.4, 5.05), start=1)
    ]
    assert marks(*songs) == [
        "song 4 (Song 4), lead: de-esser works 4.2 dB harder than the median; "
        "its sibilants are 4.2 dB above the median in the recording"
    ]


def test_a_changed_stage_tells_nothing_of_what_is_usual():
    """Three songs with another threshold do not hide the fourth, nor make others stand out."""
    changed = [
        outcome(n, compress=-6.0, changes=[("compress.threshold", "-10 dB")]) for n in (5, 6, 7)
    ]
    found = marks(*usual(1, 2, 3), *changed, outcome(4, compress=4.05, spread=4.0))
    assert sum("compressor works" in mark for mark in found) == 4
    assert not any("song 1" in mark or "song 2" in mark or "song 3" in mark for mark in found)
    assert any(
        mark.startswith("song 4 (Song 4), lead: compressor works 3.7 dB harder") for mark in found
    )


def test_sibilants_of_the_voice_are_told_where_no_stage_tells_of_them():
    assert marks(*usual(1, 2, 3, 5, 6, 7), outcome(4, sibilance=3.0)) == [
        "song 4 (Song 4), lead: was sung with sibilants 2.7 dB above the median"
    ]


def test_a_stage_with_a_name_is_called_by_it():
    songs = [*usual(1, 2, 3, 5, 6, 7), outcome(4, compress=4.0)]
    for found in songs:
        found.record["stages"]["Late"] = found.record["stages"].pop("compress")
    (mark,) = marks(*songs)
    assert mark.startswith("song 4 (Song 4), lead: Late works 3.7 dB harder than the median; ")


def test_figures_that_do_not_exist_are_left_out():
    silent = outcome(4)
    silent.record["levels"]["before"] = dict.fromkeys(silent.record["levels"]["before"])
    silent.record["levels"]["after"] = dict.fromkeys(silent.record["levels"]["after"])
    rows = overview("Example", [*usual(1, 2, 3, 5), silent]).rows
    assert rows[-1].figures["output_loudest_channel_lufs"] is None
    assert all(not row.marks for row in rows[:-1])


def test_the_figure_of_a_stage_is_its_work_where_it_is_meant_to_work():
    row = overview("Example", usual(7)).rows[0]
    assert row.work == pytest.approx({"deess": 5.0, "compress": 8.0})
    assert row.stages["compress"]["greatest_db"] == 11.0


def test_a_voice_without_a_loudness_is_told_for_that_alone():
    note = "the voice has no loudness (below -70 LUFS, or too short): no trim"
    mute = outcome(8, notes=[note], deess=-5.0, compress=-8.0)
    for levels in mute.record["levels"].values():
        levels |= dict.fromkeys(("integrated_lufs", "loudest_channel_lufs", "crest_db"))
    assert marks(*usual(1, 2, 3, 4, 5, 6, 7), mute) == [f"song 8 (Song 8), lead: {note}"]


@pytest.mark.parametrize(
    ("rise", "peak", "runs", "words"),
    [
        (11.9, -1.0, 0, []),
        (12.5, -1.0, 0, ["the output is 12.5 LU louder than the trimmed voice; turn the monitors"]),
        (0.0, 3.0, 0, ["true peak 3.0 dBTP is above -1 dBTP; it can clip"]),
        (0.0, -1.0, None, ["the voice's samples reach -7 dBFS: is this a file of integers"]),
    ],
)
def test_what_to_know_before_listening_stands_out(rise, peak, runs, words):
    one = outcome(2)
    before, after = one.record["levels"]["before"], one.record["levels"]["after"]
    after["integrated_lufs"] = before["integrated_lufs"] + one.record["trim_db"] + rise
    after["true_peak_dbtp"], before["clipped_runs"] = peak, runs
    told = marks(one)
    assert len(told) == len(words)
    assert all(word in mark for word, mark in zip(words, told, strict=True))


def test_a_figure_has_the_name_and_value_that_the_record_has():
    (voice,) = overview("Example", usual(1)).as_dict()["voices"]
    assert "work" not in voice  # the statistics of the stages tell it
    figures, levels = voice["figures"], outcome(1).record["levels"]
    own = {"trim_db", "level_lufs", "noise_against_voice_db"}
    own |= {"above_backing_lu", "recorded_above_backing_lu"}
    for key in figures.keys() - own:
        name = key.removeprefix("output_")
        assert figures[key] == levels["before" if key == name else "after"][name]


def test_the_rule_is_that_of_the_modified_z_score():
    """Iglewicz and Hoaglin (1993): 0.6745·|x − median| / MAD above 3.5; from memory."""
    others = 2.0 * np.array([OFFSETS[n % 7] for n in (1, 2, 3, 5, 6, 7)])
    for extra, expected in ((2.9, False), (3.3, True)):
        songs = [outcome(n, compress=OFFSETS[n % 7]) for n in (1, 2, 3, 5, 6, 7)]
        value = extra + OFFSETS[4]
        away = abs(value - np.median([*others, value]))
        score = 0.6745 * away / np.median(np.abs(others - np.median([*others, value])))
        assert (score > 3.5) == expected
        assert bool(marks(*songs, outcome(4, compress=extra))) == expected
