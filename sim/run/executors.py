"""One seam for work that outgrows one core or one machine: chunks in, results in order out.

    with open_executor(None) as run:            processes of this machine
    with open_executor("tcp://host:8786") as run:   a Dask cluster (optional extra)
        for chunk in run.map(function, chunks): ...

Both are executors in the sense of ``concurrent.futures``. A chunk whose worker died is done
again, so a lost worker loses nothing; what a chunk gives depends on its input alone, so the
result is the same on either.
"""

import contextlib
import multiprocessing
import multiprocessing.connection
import os
import re
import signal
import socket
import threading
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import Executor, Future, ProcessPoolExecutor
from concurrent.futures.process import BrokenProcessPool
from typing import Any

from sim.errors import InputError

TRIES = 4
AHEAD = 4
"""Chunks handed out ahead, per worker."""


class Runner:
    """Maps a function over chunks on an executor that can be opened anew when it breaks."""

    def __init__(self, opening: Callable[[], Executor], workers: int,
                 closing: Callable[[], object] | None = None) -> None:  # fmt: skip
        self.opening, self.workers, self.closing = opening, workers, closing
        self.executor = opening()
        self.lost = 0
        """Times that workers were lost."""

    def __enter__(self) -> "Runner":
        return self

    def __exit__(self, kind: type[BaseException] | None, *_: object) -> None:
        self._drop(kill=kind is not None)
        if self.closing is not None:
            self.closing()

    def _drop(self, kill: bool) -> None:
        """Let the executor go, with whatever still waits in it; ``kill`` what still works, too."""
        if isinstance(self.executor, ProcessPoolExecutor):
            # After an interrupt nobody waits for what they do; and a worker begun while its pool
            # broke waits for a lock that the dead one held, for ever.
            left = list((self.executor._processes or {}).values()) if kill else []
            self.executor.shutdown(wait=False, cancel_futures=True)
            for process in left:
                process.kill()
        else:
            self.executor.shutdown(wait=False)

    def _submit(self, function: Callable[[Any], Any], chunk: Any) -> Future[Any]:
        """Hand out a chunk; a worker that is begun for it knows no Ctrl-C from its first moment."""
        with _interrupts_wait():
            return self.executor.submit(function, chunk)

    def map(self, function: Callable[[Any], Any], chunks: Sequence[Any]) -> Iterator[Any]:
        """Results of all chunks in order; a lost worker's chunks are done again."""
        waiting: dict[int, Future[Any]] = {}
        tries = [0] * len(chunks)
        handed, taken = 0, 0
        try:
            while taken < len(chunks):
                while handed < len(chunks) and handed < taken + AHEAD * self.workers:
                    waiting[handed] = self._submit(function, chunks[handed])
                    handed += 1
                try:
                    result = waiting.pop(taken).result()
                except Exception as error:
                    if not _worker_lost(error) or tries[taken] + 1 >= TRIES:
                        raise
                    tries[taken] += 1
                    self.lost += 1
                    if isinstance(
                        error, BrokenProcessPool
                    ):  # the whole pool is gone with its worker
                        self._drop(kill=True)
                        self.executor = self.opening()
                        for k in range(taken, handed):
                            waiting[k] = self._submit(function, chunks[k])
                    else:
                        waiting[taken] = self._submit(function, chunks[taken])
                    continue
                yield result
                taken += 1
        finally:  # left early: the next work does not stand behind what nobody waits for
            for future in waiting.values():
                future.cancel()


@contextlib.contextmanager
def _interrupts_wait() -> Iterator[None]:
    """Ctrl-C is delivered when this ends; a process begun meanwhile inherits that it waits.

    A worker could otherwise be interrupted while its interpreter still starts, before anything
    of ours could tell it not to mind.
    """
    if not hasattr(signal, "pthread_sigmask"):  # Windows
        yield
        return
    before = signal.pthread_sigmask(signal.SIG_BLOCK, {signal.SIGINT})
    try:
        yield
    finally:
        signal.pthread_sigmask(signal.SIG_SETMASK, before)


def _at_work() -> None:
    """A worker's beginning: Ctrl-C is its parent's matter, and without a parent it ends."""
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    if hasattr(signal, "pthread_sigmask"):
        signal.pthread_sigmask(signal.SIG_UNBLOCK, {signal.SIGINT})  # what waited is forgotten
    parent = multiprocessing.parent_process()
    if parent is not None:
        threading.Thread(target=_outlive_nobody, args=(parent.sentinel,), daemon=True).start()


def _outlive_nobody(sentinel: int) -> None:
    multiprocessing.connection.wait([sentinel])
    os._exit(1)


def _worker_lost(error: Exception) -> bool:
    return isinstance(error, BrokenProcessPool) or type(error).__name__ == "KilledWorker"


def _reach(cluster: str) -> None:
    """Refuse an address that nobody listens at: the client would go on trying behind our back."""
    found = re.fullmatch(r"tcp://\[?([^\]/]+?)\]?:(\d{1,5})", cluster)
    if found is None or int(found.group(2)) > 65535:
        raise InputError("", "--cluster", cluster, "must be such as tcp://host:8786")
    try:
        socket.create_connection((found.group(1), int(found.group(2))), 5.0).close()
    except OSError as error:
        reason = error.strerror or str(error)
        raise InputError("", "--cluster", cluster, f"cannot be reached: {reason}") from None


def open_executor(cluster: str | None = None, workers: int | None = None) -> Runner:
    """Processes of this machine, or a Dask cluster's workers. Raises InputError."""
    count = workers or os.cpu_count() or 1
    if cluster is None:
        context = multiprocessing.get_context("spawn")
        return Runner(lambda: ProcessPoolExecutor(count, context, _at_work), count)
    client: Any
    _reach(cluster)
    try:
        import distributed
    except ImportError:
        raise InputError(
            "", "--cluster", cluster, "needs Dask: pip install 'jointloop[cluster]'"
        ) from None
    try:
        connect: Any = distributed.Client
        client = connect(cluster, timeout="5s", set_as_default=False)
        known = len(client.scheduler_info()["workers"])
    except (OSError, ValueError) as error:
        raise InputError("", "--cluster", cluster, f"cannot be reached: {error}") from None
    if known == 0:
        client.close()
        raise InputError("", "--cluster", cluster, "has no workers")
    # distributed does a lost worker's tasks again by itself
    return Runner(lambda: client.get_executor(pure=False, retries=TRIES), known, client.close)
