"""Room `exchange`: the watchdog that ends a call at its deadline, whatever the server does.

A socket time-out restarts with every byte, so a server that drips one byte a second into headers or body is never too
slow for it. The watchdog shuts the connection down at the deadline; the reader then sees its end and asks `expired`.
It works on a duplicate of the descriptor, so neither a TLS wrap nor a closed and reused number can mislead it.
"""

from __future__ import annotations

import contextlib
import heapq
import itertools
import os
import socket
import threading
import time


class Watch:
    """One try under watch. `expired`: the watchdog has cut it off. `sent`: the first byte of the request has left us,
    so that the server may have acted on it. `at` may be moved to a later time while it runs.
    """

    __slots__ = ("at", "expired", "open", "sent", "sockets")

    def __init__(self, at: float) -> None:
        self.at = at
        self.expired = False
        self.open = True
        self.sent = False
        self.sockets: list[socket.socket] = []


class Watchdog:
    """A daemon thread with a heap of deadlines. One for the process, started with the first call."""

    def __init__(self) -> None:
        self._condition = threading.Condition()
        self._heap: list[tuple[float, int, Watch]] = []
        self._number = itertools.count()
        self._process = 0

    def start(self, at: float) -> Watch:
        """Begin a watch that ends at monotonic time `at`."""
        watch = Watch(at)
        with self._condition:
            if self._process != os.getpid():  # threads do not survive a fork
                self._process, self._heap = os.getpid(), []
                threading.Thread(target=self._run, name="http-watchdog", daemon=True).start()
            heapq.heappush(self._heap, (at, next(self._number), watch))
            if self._heap[0][2] is watch:
                self._condition.notify()
        return watch

    def add(self, watch: Watch, sock: socket.socket) -> None:
        """Put the connection that `sock` belongs to under the watch."""
        copy = socket.socket(fileno=os.dup(sock.fileno()))
        with self._condition:
            if watch.open and not watch.expired:
                watch.sockets.append(copy)
                return
        if watch.expired:
            _cut(copy)
        copy.close()

    def stop(self, watch: Watch) -> None:
        """End the watch; its connection goes on living."""
        with self._condition:
            watch.open = False
            sockets, watch.sockets = watch.sockets, []
            if len(self._heap) > 256 and sum(one[2].open for one in self._heap) < len(self._heap) // 2:
                self._heap = [one for one in self._heap if one[2].open]
                heapq.heapify(self._heap)
        for sock in sockets:
            sock.close()

    def _run(self) -> None:
        with self._condition:
            while True:
                while self._heap and (not self._heap[0][2].open or self._heap[0][0] <= time.monotonic()):
                    watch = heapq.heappop(self._heap)[2]
                    if watch.open and watch.at > time.monotonic():  # it was given more time
                        heapq.heappush(self._heap, (watch.at, next(self._number), watch))
                    elif watch.open:
                        watch.expired = True
                        for sock in watch.sockets:
                            _cut(sock)
                rest = self._heap[0][0] - time.monotonic() if self._heap else None
                self._condition.wait(None if rest is None else max(0.0, min(rest, 3600.0)))


def _cut(sock: socket.socket) -> None:
    with contextlib.suppress(OSError):
        sock.shutdown(socket.SHUT_RDWR)


WATCHDOG = Watchdog()
current = threading.local()
"""`current.watch`: the watch of the call this thread is making; new and reused connections put themselves under it."""
