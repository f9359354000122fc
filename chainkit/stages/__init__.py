"""What can be in a chain: the registry of kinds."""

from __future__ import annotations

from chainkit.stages.base import Stage
from chainkit.stages.compress import Compress
from chainkit.stages.deess import Deess
from chainkit.stages.eq import Eq
from chainkit.stages.gain import Gain
from chainkit.stages.ride import Ride

KINDS: dict[str, type[Stage]] = {cls.kind: cls for cls in (Gain, Ride, Eq, Deess, Compress)}
