"""A mail server of a few lines that answers each RCPT with the reply it was told, and keeps what it takes."""

from __future__ import annotations

import socketserver
import threading
from collections.abc import Iterator
from contextlib import contextmanager


class Postbox(socketserver.ThreadingTCPServer):
    """Listens on a free port of this machine."""

    allow_reuse_address = True
    daemon_threads = True

    def __init__(self) -> None:
        super().__init__(("127.0.0.1", 0), _Talk)
        self.rcpt_reply = "250 OK"
        self.data_reply = "250 OK"
        self.taken: list[bytes] = []


class _Talk(socketserver.StreamRequestHandler):
    """RFC 5321, as far as a client that sends one letter needs it."""

    server: Postbox

    def handle(self) -> None:
        """Speak until QUIT."""
        self._say("220 here")
        while words := self.rfile.readline().split(None, 1):
            verb = words[0].upper()
            if verb == b"QUIT":
                self._say("221 bye")
                return
            if verb == b"RCPT":
                self._say(self.server.rcpt_reply)
            elif verb == b"DATA":
                self._take()
            else:
                self._say("250 OK")

    def _take(self) -> None:
        self._say("354 go on")
        lines = []
        while (line := self.rfile.readline()) not in {b".\r\n", b""}:
            lines.append(line[1:] if line.startswith(b".") else line)
        if self.server.data_reply.startswith("250"):
            self.server.taken.append(b"".join(lines))
        self._say(self.server.data_reply)

    def _say(self, text: str) -> None:
        self.wfile.write(text.encode() + b"\r\n")


@contextmanager
def postbox() -> Iterator[Postbox]:
    """One that runs for the length of a test."""
    with Postbox() as server:
        thread = threading.Thread(target=server.serve_forever, kwargs={"poll_interval": 0.05}, daemon=True)
        thread.start()
        yield server
        server.shutdown()
        thread.join()
