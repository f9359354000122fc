"""The gain-reduction log: what each stage did to the level, over time.

log        gathers the rows (10 ms each unless told otherwise) while a voice is rendered
rows       a value for each row of a signal, whatever its blocks
summary    the statistics of each stage that go into the render record
table      the rows as a CSV file, written and read
detail     a gain for each frame and stage, as NPZ
"""

from __future__ import annotations

from chainkit.gainlog.detail import DetailLog
from chainkit.gainlog.log import GainLog
from chainkit.gainlog.summary import Reductions
from chainkit.gainlog.table import Log, read_log

__all__ = ["DetailLog", "GainLog", "Log", "Reductions", "read_log"]
