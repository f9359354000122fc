"""Scout: trouble frequencies of a source, audible evidence, a starting chain.

analyse    the job: from a file to ranked findings
hearing    what is heard of a file, block by block
source     what kind of source it is, and what is its own
gathering  findings out of what was heard
findings   what a finding is, and the gain that it proposes
mix        what of a voice its backing hides
proposal   which findings become bands of an EQ
deessing   settings of a de-esser
trial      what a de-esser does to some seconds of the source
chainfile  the starting chain as a file that explains itself
sweeps     sounds in which the findings can be heard
report     all of it as plain values
"""

from __future__ import annotations

from chainkit.scout.analyse import Scouting, scout_file
from chainkit.scout.findings import Finding

__all__ = ["Finding", "Scouting", "scout_file"]
