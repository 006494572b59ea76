"""The clock of a session: it never goes back, whatever is done to the wall clock, and it goes on while the computer sleeps.

On Linux the usual monotonic clock stands still in suspend; CLOCK_BOOTTIME does not (clock_gettime(2)). By the former, what was
heard before the lid was shut would be a moment old after it is opened. Elsewhere the usual one is taken.
"""

from __future__ import annotations

import sys
import time

if sys.platform == "linux":

    def running_ns() -> int:
        """Nanoseconds since some moment in the past, the same for all of a session."""
        return time.clock_gettime_ns(time.CLOCK_BOOTTIME)

else:
    running_ns = time.monotonic_ns
