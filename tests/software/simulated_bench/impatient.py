"""The simulated bench, run as a module, that soon notices that whoever started it has died."""

from __future__ import annotations

import sys

from rigs_demo import __main__ as bench
from rigs_demo import clock_loop

if __name__ == "__main__":
    clock_loop.ALONE_S = 0.3
    sys.exit(bench.main())
