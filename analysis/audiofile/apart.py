"""Work on files in processes of their own: what brings a decoder down costs no file but its own."""

from __future__ import annotations

import os
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import Future, ProcessPoolExecutor
from concurrent.futures.process import BrokenProcessPool
from contextlib import suppress
from typing import Any, TypeVar

from analysis.audiofile.errors import AudioError

Result = TypeVar("Result")


def each_apart(
    task: Callable[..., Result], calls: Sequence[tuple[Any, ...]]
) -> Iterator[Callable[[], Result]]:
    """What `task` makes of each call, in their order, as many at once as there are processors.

    Yields a function a call as soon as it and those before it are done: it returns what the task returned,
    or raises what it raised; AudioError `decode_failed` where its process died over it. `task`, the calls and
    what comes back go from process to process, so they have to be such that pickle takes.
    """
    if not calls:
        return
    with ProcessPoolExecutor(max_workers=min(len(calls), os.cpu_count() or 1)) as pool:
        futures: list[Future[Result]] = []
        with suppress(BrokenProcessPool):  # by an early call: the later ones are then made alone
            futures += [pool.submit(task, *call) for call in calls]
        for at, call in enumerate(calls):
            done = futures[at] if at < len(futures) else None
            # By this call or by another one: alone, it shows.
            if done is None or isinstance(done.exception(), BrokenProcessPool):
                done = _alone(task, call)
            yield done.result


def apart(task: Callable[..., Result], *call: Any) -> Result:
    """What `task` makes of one call, as `each_apart` has it done."""
    return next(each_apart(task, [call]))()


def _alone(task: Callable[..., Result], call: tuple[Any, ...]) -> Future[Result]:
    """The call's future, in a process for it only; done."""
    with ProcessPoolExecutor(max_workers=1) as pool:
        future = pool.submit(task, *call)
        if not isinstance(future.exception(), BrokenProcessPool):
            return future
    failed: Future[Result] = Future()
    failed.set_exception(
        AudioError("decode_failed", "The file is damaged in a way that stops the decoder. Export it again.")
    )
    return failed
