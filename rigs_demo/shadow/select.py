"""Waiting for input in simulated time, under the names of MicroPython's `select`."""

import _bench
from uselect import POLLIN, POLLOUT


class poll:
    """Only the board's own input can be waited for; output is always ready."""

    def __init__(self):
        self._watched = []

    def register(self, stream, mask=POLLIN | POLLOUT):
        self.unregister(stream)
        self._watched.append((stream, mask))

    def modify(self, stream, mask):
        self.register(stream, mask)

    def unregister(self, stream):
        self._watched = [entry for entry in self._watched if entry[0] is not stream]

    def poll(self, timeout=-1):
        ready = [(stream, POLLOUT) for stream, mask in self._watched if mask & POLLOUT]
        inputs = [stream for stream, mask in self._watched if mask & POLLIN]
        if ready:
            timeout = 0
        wait_ns = None if timeout is None or timeout < 0 else timeout * 1000000
        if not self._watched:
            if wait_ns:
                _bench.wait_until(_bench.now() + wait_ns)
            return []
        if _bench.poll_input(wait_ns):
            ready += [(stream, POLLIN) for stream in inputs]
        return ready

    def ipoll(self, timeout=-1, flags=0):
        return iter(self.poll(timeout))


def select(read, write, error, timeout=None):
    poller = poll()
    for stream in read:
        poller.register(stream, POLLIN)
    for stream in write:
        poller.register(stream, POLLOUT)
    ready = poller.poll(-1 if timeout is None else int(timeout * 1000))
    return (
        [stream for stream, event in ready if event & POLLIN],
        [stream for stream, event in ready if event & POLLOUT],
        [],
    )
