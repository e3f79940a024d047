"""The firmware's modules forgotten, so that the next import runs them again: its pins have been taken from it.

No pins, no units.
"""

import sys


def forget(drive, ours):
    """Forget the firmware's module `drive` and those that it is made of: whatever came from a file not beside `ours`.

    `ours`: name of one of our modules. What is frozen in has a relative name and no such file; what is built in has no
    file at all; a file that is not on the board stands in for what is built in.
    """
    own = getattr(sys.modules.get(ours), "__file__", "")
    folder = own[: own.rfind("/") + 1]  # "" on a board without folders: then what is ours cannot be told from the rest
    for name in list(sys.modules):
        module = sys.modules[name]
        file = getattr(module, "__file__", None) if type(module) is type(sys) else None
        if name == drive or (folder and file and not file.startswith(folder) and _is_there(file)):
            del sys.modules[name]


def _is_there(file):
    if not file.startswith("/"):
        return True
    try:
        open(file).close()
    except OSError:
        return False
    return True
