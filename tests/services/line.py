"""A line between a browser and a site that can be cut in the midst of a file, and mended."""

from __future__ import annotations

import socket
import socketserver
import struct
import threading
from types import TracebackType

BLOCK_BYTES = 64 * 1024
RESET = struct.pack("ii", 1, 0)  # SO_LINGER with no time to linger: close(2) then sends a reset


class Line(socketserver.ThreadingTCPServer):
    """Listens on a free port of this machine and passes every byte on to another one, both ways."""

    allow_reuse_address = True
    daemon_threads = True

    def __init__(self, port: int) -> None:
        super().__init__(("127.0.0.1", 0), _Talk)
        self.upstream = port
        self.is_down = threading.Event()
        self._left_bytes: int | None = None
        self._open: set[socket.socket] = set()
        self._lock = threading.Lock()

    @property
    def address(self) -> str:
        """Where the browser goes instead of the site's own address."""
        return f"http://127.0.0.1:{self.server_address[1]}"

    def cut_after(self, sent_bytes: int) -> None:
        """Go down once so many more bytes have gone up from the browser."""
        with self._lock:
            self._left_bytes = sent_bytes

    def mend(self) -> None:
        """Take connections again."""
        self.is_down.clear()

    def count(self, sent_bytes: int) -> None:
        """Bytes went up; where they are the last ones before the cut, every connection is reset."""
        with self._lock:
            if self._left_bytes is None:
                return
            self._left_bytes -= sent_bytes
            if self._left_bytes > 0:
                return
            self._left_bytes = None
            self.is_down.set()
            for end in self._open:
                end.setsockopt(socket.SOL_SOCKET, socket.SO_LINGER, RESET)
                end.shutdown(socket.SHUT_RDWR)

    def opened(self, *ends: socket.socket) -> None:
        """Two more ends that a cut resets."""
        with self._lock:
            self._open.update(ends)

    def closed(self, *ends: socket.socket) -> None:
        """They are gone."""
        with self._lock:
            self._open.difference_update(ends)

    def __enter__(self) -> Line:
        threading.Thread(target=self.serve_forever, kwargs={"poll_interval": 0.05}, daemon=True).start()
        return self

    def __exit__(
        self, kind: type[BaseException] | None, fault: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.shutdown()
        self.server_close()


class _Talk(socketserver.BaseRequestHandler):
    """One connection."""

    server: Line

    def handle(self) -> None:
        """Pass on until either side ends, or the line is cut."""
        if self.server.is_down.is_set():
            return
        near = self.request
        with socket.create_connection(("127.0.0.1", self.server.upstream)) as far:
            self.server.opened(near, far)
            down = threading.Thread(target=self._pass_on, args=(far, near), daemon=True)
            down.start()
            self._pass_on(near, far, counted=True)
            down.join()
            self.server.closed(near, far)

    def _pass_on(self, one: socket.socket, other: socket.socket, *, counted: bool = False) -> None:
        try:
            while block := one.recv(BLOCK_BYTES):
                if counted:
                    self.server.count(len(block))
                other.sendall(block)
            other.shutdown(socket.SHUT_WR)
        except OSError:  # cut, or the other side has gone
            return
