"""The broker that needs no server: kombu's folder of messages, with every message and every table whole.

kombu's own transport opens a file under its final name and fills it afterwards (kombu 5.7,
`transport/filesystem.py`, `_put` and `_queue_bind`). On a busy machine a worker looks in between, takes the
empty file, cannot read it and ends, and `serve` ends with it. Here a file gets its name once all is in it.
"""

from __future__ import annotations

import os
import time
import uuid
from pathlib import Path
from typing import Any

from kombu.exceptions import ChannelError
from kombu.transport import TRANSPORT_ALIASES, filesystem
from kombu.utils.json import dumps

UNFINISHED = ".part"
"""Ends the names of files that are being written; workers take only names that end as a queue's do."""


def make_known() -> None:
    """Let addresses that begin with `folder://` mean this transport, in this process."""
    TRANSPORT_ALIASES["folder"] = f"{__name__}:Transport"


class Channel(filesystem.Channel):
    """As kombu's; only how files begin is different."""

    def _put(self, queue: str, payload: Any, **kwargs: Any) -> None:
        folder = Path(self.data_folder_out)
        # As kombu names them: in the order of their names the oldest comes first.
        name = f"{round(time.monotonic() * 1000)}_{uuid.uuid4()}.{queue}.msg"
        try:
            _written(folder / name, payload).replace(folder / name)
        except OSError as exc:
            raise ChannelError(f"Cannot add {name} to {folder}") from exc

    def _queue_bind(self, exchange: str, routing_key: str, pattern: str, queue: str) -> None:
        table = self._exchange_file(exchange)
        if not table.exists():
            self.control_folder.mkdir(exist_ok=True)
            empty = _written(table.with_name(f"{table.name}.{uuid.uuid4()}"), [])
            try:
                os.link(
                    empty, table
                )  # unlike a replacement it spares a table that another process made meanwhile
            except FileExistsError:
                pass
            finally:
                empty.unlink()
        super()._queue_bind(exchange, routing_key, pattern, queue)


class Transport(filesystem.Transport):
    """What `folder://` stands for."""

    Channel = Channel


def _written(path: Path, content: Any) -> Path:
    """A file beside `path` that holds `content`, whole."""
    unfinished = path.with_name(path.name + UNFINISHED)
    unfinished.write_text(dumps(content))
    return unfinished
