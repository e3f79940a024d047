"""First code on the simulated board: puts the shadow modules in place, shuts the machine's files away, boots.

What it leaves behind is a board at its prompt whose `/` is the flash folder.
"""

import sys

import uos


class _NoAsyncio:
    # Its queue is compiled and reads the machine's own clock: a program would sleep for days.
    def __getattr__(self, name):
        raise NotImplementedError("asyncio is not on the simulated board: its queue keeps the machine's time")


def _take_over():
    flash, pipe = uos.getenv("ROTORGATE_FLASH"), uos.getenv("ROTORGATE_PIPE")
    listening = open(int(pipe), "rb")
    import urandom
    import utime

    sys.path[:] = [uos.getenv("ROTORGATE_SHADOW")]
    import _bench

    _bench.request(_bench.HELLO, 0, 0)
    import time

    time._real_gmtime = utime.gmtime
    import _micropython

    sys.modules["micropython"] = _micropython
    import machine
    import os
    import select

    urandom.seed(1)  # arbitrary: the same numbers on every run, though after every reset too
    for name, module in (("time", time), ("machine", machine), ("select", select), ("os", os)):
        sys.modules["u" + name] = module
    sys.modules["asyncio"] = sys.modules["uasyncio"] = _NoAsyncio()
    import _thread

    _thread.start_new_thread(_bench.listen, (listening,))
    # The interpreter opens imports by the process's folder, and other files by its own root: both are the flash.
    uos.umount("/")
    uos.mount(uos.VfsPosix(flash), "/")
    sys.path[:] = ["", "lib", ".frozen"]
    return uos.getenv("ROTORGATE_MAIN") == "1", uos.stat


def _run(name, exists):
    try:
        exists(name)
    except OSError:
        return
    try:
        with open(name) as file:
            exec(compile(file.read(), name, "exec"), globals())
    except Exception as error:
        sys.print_exception(error)
    except KeyboardInterrupt as error:
        sys.print_exception(error)


_main, _exists = _take_over()
_run("boot.py", _exists)
if _main:
    _run("main.py", _exists)
del _main, _exists, _run, _take_over, _NoAsyncio, uos
