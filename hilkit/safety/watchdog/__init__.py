"""The watchdog: a small process beside a run that switches RF off when the run dies or freezes.

A run that is killed cannot switch RF off, and one that hangs does not. So a real bench is watched from a
process of its own, in its own process group: it has its libraries loaded before the first RF, holds a lease
that the thread of the plan renews, and carries the safe state out over fresh links when the run ends without
a goodbye or the lease runs out.
"""

from hilkit.safety.watchdog.client import Watchdog
from hilkit.safety.watchdog.lease import Lease
from hilkit.safety.watchdog.unwatched import unwatched

__all__ = ["Lease", "Watchdog", "unwatched"]
