"""Render a voice through a chain file.

Beside the output OUT.wav it writes OUT.gr.csv, the gain-reduction log, and OUT.record.json, the
render record that `chainkit verify` repeats.
"""

from __future__ import annotations

import argparse
from typing import TYPE_CHECKING, Any

from chainkit.cli import show
from chainkit.cli.options import add_chain, add_force, add_json, quantity, read_chain, whole_number
from chainkit.errors import SampleFormatError, UsageError
from chainkit.process import load_numba
from chainkit.units import LOG_STEPS, SEEDS, TIME, nearest

if TYPE_CHECKING:
    from chainkit.rendering import Result

SAMPLE_FORMATS = {
    "16": "PCM_16",
    "24": "PCM_24",
    "32": "PCM_32",
    "float32": "FLOAT",
    "float64": "DOUBLE",
}
MOST_CHUNKS = 12  # names that fit a message


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Declare the command's options."""
    parser.add_argument("voice", metavar="VOICE", help="sound file to render")
    add_chain(parser)
    parser.add_argument(
        "-o", "--output", required=True, metavar="OUT", help="sound file to write (.wav, .flac, …)"
    )
    parser.add_argument(
        "--samples",
        metavar="FORMAT",
        help=f"sample format: {', '.join(SAMPLE_FORMATS)}; the voice's if left out",
    )
    parser.add_argument(
        "--log-step",
        type=quantity(TIME, *LOG_STEPS),
        default=0.010,
        metavar="TIME",
        help='length of a row of the log (default "10 ms")',
    )
    parser.add_argument(
        "--detail",
        action="store_true",
        help="also write OUT.gr.npz, the gain of each stage in each frame",
    )
    parser.add_argument(
        "--seed",
        type=whole_number(*SEEDS),
        default=0,
        metavar="N",
        help="seed of the dither (default 0)",
    )
    parser.add_argument(
        "--allow-clipping", action="store_true", help="keep an integer output that clips"
    )
    add_force(parser)
    add_json(parser)


def run(arguments: argparse.Namespace) -> int:
    """Render and print what the chain did."""
    chain = read_chain(arguments)
    subtype = sample_format(arguments.samples)
    # Imported late: a fault in the chain file is told before numba and libsndfile are loaded.
    load_numba()
    from chainkit.audio.reader import AudioReader
    from chainkit.rendering import Options, passes, render

    options = Options(
        subtype=subtype,
        log_step=arguments.log_step,
        detail=arguments.detail,
        seed=arguments.seed,
        allow_clipping=arguments.allow_clipping,
        force=arguments.force,
    )
    total = AudioReader(arguments.voice).frames * passes(chain)
    with show.progress("rendering", total) as progress:
        try:
            result = render(arguments.voice, chain, arguments.output, options, progress)
        except SampleFormatError as fault:
            raise UsageError(other_samples(fault, arguments.samples)) from None
    if arguments.json:
        show.json(result.record)
    else:
        print_result(result)
    for message in cautions(result):
        show.note(message)
    return 0


def sample_format(text: str | None) -> str | None:
    """Subtype of a sample format by its name on the command line."""
    if text is None or text in SAMPLE_FORMATS:
        return SAMPLE_FORMATS[text] if text else None
    allowed = ", ".join(SAMPLE_FORMATS)
    raise UsageError(f"--samples {text!r} is not one of {allowed}{nearest(text, SAMPLE_FORMATS)}")


def other_samples(fault: SampleFormatError, asked: str | None) -> str:
    """What to say of a sample format that the output cannot have, in the option's words."""
    word = {subtype: word for word, subtype in SAMPLE_FORMATS.items()}
    possible = ", ".join(word[subtype] for subtype in fault.possible if subtype in word)
    found = asked or f"{word.get(fault.subtype, fault.subtype)}, as the voice is"
    return f"{fault.container} has no sample format {found}; --samples takes {possible} for it"


def print_result(result: Result) -> None:
    """Print levels before and after, the stages' work and the files."""
    from chainkit.pages.levels import of_a_render

    record = result.record
    show.table("", ("level", "before", "after"), of_a_render(record["levels"]))
    print()
    stages = record["stages"]
    show.table(
        "",
        ("stage", "greatest", "mean", "95 %", "over 1 dB", "in sibilants", "elsewhere"),
        [stage_row(name, stage) for name, stage in stages.items()],
    )
    print()
    for kind, value in trims(record):
        print(f"{kind}: {show.cell(value)} dB")
    for path in result.files:
        print(f"wrote {path}")


def stage_row(name: str, stage: dict[str, Any]) -> tuple[Any, ...]:
    """Row of the table of gain reductions in dB."""
    if "mean_db" not in stage:
        return (name, *[None] * 6)
    share = f"{100 * stage['share_above_1_db']:.0f} %"
    return (
        name,
        stage["greatest_db"],
        stage["mean_db"],
        stage["p95_db"],
        share,
        stage["inside_sibilants_db"],
        stage["outside_sibilants_db"],
    )


def trims(record: dict[str, Any]) -> list[tuple[str, float]]:
    """Gains that were measured for this voice."""
    found = [("trim to the working level", record["trim_db"])] if record["trim_db"] else []
    matched = record["matched_makeup_db"].items()
    return found + [(f"matched makeup of {name}", gain) for name, gain in matched]


def cautions(result: Result) -> list[str]:
    """What the user should know before listening."""
    from chainkit.cautions import of_render

    messages = list(result.record["notes"])
    left_out = result.record["output"]["chunks_left_out"]
    if left_out:
        named = ", ".join(left_out[:MOST_CHUNKS]) + ", …" * (len(left_out) > MOST_CHUNKS)
        messages.append(
            f"the output lacks these parts of the voice's file: {named}; known chunks go along "
            "from WAV to WAV, and nothing that may be wrong for other samples"
        )
    before = result.before
    if before.clipped_runs:
        places = show.counted(before.clipped_runs, "place")
        first = f"first at {before.first_clipped_seconds:.3f} s"
        messages.append(f"the voice is clipped in {places}, {first}; no chain takes that back")
    messages += of_render(result.record["levels"])
    return messages
