"""Render a record's voice again and say whether the audio is identical.

Exit code 0 when it is, 1 when it is not; then the greatest difference of a sample is told in dBFS.
"""

from __future__ import annotations

import argparse
import dataclasses

from chainkit.cli import show
from chainkit.cli.options import add_json
from chainkit.errors import AudioFileError
from chainkit.process import load_numba


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Declare the command's options."""
    parser.add_argument("record", metavar="RECORD", help="render record, OUT.record.json")
    parser.add_argument("--voice", metavar="FILE", help="where the voice lies now, if it has moved")
    add_json(parser)


def run(arguments: argparse.Namespace) -> int:
    """Verify and print the verdict."""
    load_numba()
    from chainkit.audio.reader import AudioReader
    from chainkit.record import read_recorded
    from chainkit.verify import verify_record

    place = arguments.voice or read_recorded(arguments.record).voice
    if not (arguments.voice or place.exists()):
        raise AudioFileError(f"the voice {place} is gone; --voice FILE names it where it lies now")
    voice = AudioReader(place)
    with show.progress("rendering again", voice.frames) as progress:
        verdict = verify_record(arguments.record, voice=voice.path, progress=progress)
    if arguments.json:
        show.json(dataclasses.asdict(verdict))
    elif verdict.identical:
        print("identical: the audio is the same, sample for sample")
    else:
        print("different: " + "; ".join(verdict.reasons))
        greatest = verdict.greatest_difference_dbfs
        if greatest is not None:
            print(f"greatest difference of a sample: {show.cell(greatest)} dBFS")
    return 0 if verdict.identical else 1
