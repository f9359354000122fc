"""Loudness-matched renders of chains or orders, measured against one another.

candidates  what is compared
model       a request, its candidates as they are heard, what came of them
job         the steps, from renders to views
interplay   how much one stage makes the next ones work
matching    one loudness for all, and how far they are from one another
mixing      the backing, and the voice placed in it
squeeze     a stand-in for loud mastering
report      the figures, as JSON and CSV
"""

from __future__ import annotations
