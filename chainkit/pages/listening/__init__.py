"""The listening page of a comparison: one folder that opens from disk and asks nobody for anything.

``write_listening_page(directory, page)`` writes ``index.html`` and, beside it, ``listen/`` with the
audio in short FLAC parts inside script files: a page opened from disk may run a script that lies
beside it, but may not fetch a sound file.
"""

from chainkit.pages.listening.model import Candidate, Column, ListeningPage, Reduction, View
from chainkit.pages.listening.write import write_listening_page

__all__ = ["Candidate", "Column", "ListeningPage", "Reduction", "View", "write_listening_page"]
