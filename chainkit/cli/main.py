"""The ``chainkit`` command: prints the overview, or hands the command asked for to `dispatch`.

Only the module of the command asked for is imported, and the overview is printed from the table
below, so that ``chainkit --help`` answers at once. Nothing is imported ahead of `main`: only from
there on a Ctrl-C can be caught.
"""

from __future__ import annotations

import os
import sys

COMMANDS = {
    "render": "render a voice through a chain file",
    "check": "validate chain files and songbooks, print what they resolve to, draw curves",
    "verify": "render a record again and compare the audio",
    "measure": "loudness, peaks, spectrum and sibilants of sound files",
    "compare": "loudness-matched renders of chains or orders, a table, a listening page",
    "scout": "find trouble frequencies, hear them, write a starting chain",
    "ride": "write level moves for the ride stage",
    "songs": "render a record's voices and compare the songs",
    "presets": "list or copy preset chains",
    "schema": "print the JSON Schema of a chain file or songbook",
    "demo": "make an invented demo recording and render it",
}


def main(argv: list[str] | None = None) -> int:
    """Run the command line; the return value is the exit code."""
    words = sys.argv[1:] if argv is None else argv
    try:
        return _run(words)
    except KeyboardInterrupt:
        # What was complete by then stands in its place, and is not ours to take away again.
        print("chainkit: interrupted", file=sys.stderr)
        return 130  # as `errors.INTERRUPTED`, which may not have been imported
    finally:
        # Python dies by the signal in the end, whoever caught it, where it fell into code made of
        # text, as that of dataclasses. The next such code clears that.
        exec("")


def _run(words: list[str]) -> int:
    from chainkit.process import settle

    settle()
    _settle_streams()
    if not words or words[0] in ("-h", "--help", "help"):
        print(overview())
        return 0 if words else 2
    if words[0] == "--version":
        from importlib.metadata import version

        print(f"chainkit {version('chainkit')}")
        return 0
    from chainkit.cli import dispatch

    return dispatch.run(words[0], words[1:], list(COMMANDS))


def _settle_streams() -> None:
    """Give text a place to go, whatever the terminal's encoding, and where a stream is closed."""
    for name in ("stdout", "stderr"):
        stream = getattr(sys, name)
        if stream is None:
            setattr(sys, name, open(os.devnull, "w"))  # noqa: SIM115 - open until the end
        elif hasattr(stream, "reconfigure"):
            # What UTF-8 cannot hold is a byte of a file's name: JSON has the same escape for it.
            is_utf8 = stream.encoding.lower().replace("-", "") == "utf8"
            stream.reconfigure(errors="backslashreplace" if is_utf8 else "replace")


def overview() -> str:
    """Text of ``chainkit --help``."""
    width = max(map(len, COMMANDS))
    rows = [f"  {name:<{width}}  {summary}" for name, summary in COMMANDS.items()]
    return "\n".join(
        [
            "usage: chainkit COMMAND [options]",
            "",
            "Render a recorded voice through a chain of EQ, de-esser and compressor,",
            "offline and repeatably, and show what the chain did.",
            "",
            "commands:",
            *rows,
            "",
            "chainkit COMMAND --help tells more of one command; chainkit --version the version.",
        ]
    )


if __name__ == "__main__":
    sys.exit(main())
