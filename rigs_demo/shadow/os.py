"""`os` of the simulated board: the interpreter's own, with a board's identity and without the machine behind it."""

import sys
import uos
from uos import chdir, getcwd, ilistdir, listdir, mkdir, remove, rename, rmdir, stat, statvfs, unlink

sep = "/"
_MACHINE = "SIMULATED board of the rotorgate bench"
_Names = None


def uname():
    global _Names
    if _Names is None:
        from collections import namedtuple

        _Names = namedtuple("uname_result", ("sysname", "nodename", "release", "version", "machine"))
    release = ".".join(str(part) for part in sys.implementation.version[:3])
    return _Names("simulated", "simulated", release, sys.version, _MACHINE)


def sync():
    pass


def urandom(n):
    raise NotImplementedError("os.urandom would make two runs differ; use random with a seed")
