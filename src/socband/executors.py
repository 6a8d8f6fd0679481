"""One way to run many independent pieces of work: in process, in a process pool, on Dask.

An executor maps a function over work items and yields each result as it comes; results are the
same whichever is used, because nothing in them may depend on order or worker (the bench derives
random numbers from an item's labels). Only a few items a worker are handed out at a time, so memory
does not grow with their number. Work that a killed worker had in hand is handed out again.
"""

from __future__ import annotations

import copyreg
import itertools
import multiprocessing
import pickle
from collections.abc import Callable, Iterable, Iterator
from concurrent.futures import FIRST_COMPLETED, Future, ProcessPoolExecutor, wait
from concurrent.futures.process import BrokenProcessPool
from dataclasses import dataclass
from types import MappingProxyType
from typing import Any, Protocol

from socband.errors import InputError, Problem, shown

AHEAD = 4  # items handed out for each worker
TRIES = 3  # an item is given up after it was in hand at this many deaths of a worker


def _read_only(mapping: dict[Any, Any]) -> MappingProxyType[Any, Any]:
    return MappingProxyType(mapping)


# Cell models hold read-only mappings, which pickle does not know.
copyreg.pickle(MappingProxyType, lambda mapping: (_read_only, (dict(mapping),)))


class WorkerLost(RuntimeError):
    """Every worker that had this item in hand died, `TRIES` times."""


class Executor(Protocol):
    """Runs `work(context, item)` for every item."""

    def run(
        self, work: Callable[[Any, Any], Any], context: Any, items: Iterable[Any]
    ) -> Iterator[tuple[Any, Any]]:
        """Yield (item, result) in any order; a result may be an exception of the executor's own.

        Args:
            work: a module's function, importable by name.
            context: what every item needs; sent to each worker once.
            items: small and picklable; taken lazily.
        """
        ...


@dataclass(frozen=True)
class Serial:
    """In this process, one after the other."""

    def run(
        self, work: Callable[[Any, Any], Any], context: Any, items: Iterable[Any]
    ) -> Iterator[tuple[Any, Any]]:
        """See `Executor`."""
        for item in items:
            yield item, work(context, item)


_context: Any = None  # of this worker process


def _set_context(blob: bytes) -> None:
    global _context
    _context = pickle.loads(blob)


def _in_worker(work: Callable[[Any, Any], Any], item: Any) -> Any:
    return work(_context, item)


@dataclass(frozen=True)
class Pool:
    """A pool of processes on this computer; a pool that lost a worker is replaced."""

    workers: int = 2

    def run(
        self, work: Callable[[Any, Any], Any], context: Any, items: Iterable[Any]
    ) -> Iterator[tuple[Any, Any]]:
        """See `Executor`."""
        blob = pickle.dumps(context)
        waiting = iter(items)
        deaths: dict[Any, int] = {}
        again: list[Any] = []
        pool = self._start(blob)
        finished = False
        in_hand: dict[Future[Any], Any] = {}
        try:
            while True:
                # After a death one item at a time, so that a second one is laid at its door.
                room = (1 if again else AHEAD * self.workers) - len(in_hand)
                source = again if again else waiting
                if room > 0:
                    taken = list(itertools.islice(iter(source), room))
                    again = again[len(taken) :] if again else again
                    try:
                        for item in taken:
                            in_hand[pool.submit(_in_worker, work, item)] = item
                    except BrokenProcessPool:
                        sent = set(map(id, in_hand.values()))
                        again += [item for item in taken if id(item) not in sent]
                if not in_hand:
                    if again:
                        pool = self._restart(pool, blob)
                        continue
                    finished = True
                    return
                done, _ = wait(in_hand, return_when=FIRST_COMPLETED)
                lost = []
                for future in done:
                    item = in_hand.pop(future)
                    if isinstance(future.exception(), BrokenProcessPool):
                        lost.append(item)
                    else:
                        yield item, future.result()
                if lost:
                    lost += [
                        item
                        for future, item in in_hand.items()
                        if not future.done() or future.exception() is not None
                    ]
                    for future, item in in_hand.items():
                        if future.done() and future.exception() is None:
                            yield item, future.result()
                    in_hand = {}
                    pool = self._restart(pool, blob)
                    for item in lost:
                        deaths[item] = deaths.get(item, 0) + 1
                        if deaths[item] >= TRIES:
                            yield item, WorkerLost(f"{TRIES} workers died with it in hand")
                        else:
                            again.append(item)
        finally:
            # A pool with nothing left to do is waited for: a program that ends while its thread
            # closes its pipe would complain of a bad file descriptor.
            pool.shutdown(wait=finished, cancel_futures=True)

    def _start(self, blob: bytes) -> ProcessPoolExecutor:
        # Spawned, not forked: a fork copies the locks of numba's and BLAS's threads.
        spawn = multiprocessing.get_context("spawn")
        return ProcessPoolExecutor(self.workers, spawn, _set_context, (blob,))

    def _restart(self, pool: ProcessPoolExecutor, blob: bytes) -> ProcessPoolExecutor:
        pool.shutdown(wait=False, cancel_futures=True)
        return self._start(blob)


def _unpacked(blob: bytes) -> Any:
    return pickle.loads(blob)


@dataclass(frozen=True)
class Dask:
    """A Dask cluster (extra `[cluster]`); `address` of its scheduler, or a cluster object."""

    address: Any

    def run(
        self, work: Callable[[Any, Any], Any], context: Any, items: Iterable[Any]
    ) -> Iterator[tuple[Any, Any]]:
        """See `Executor`.

        The context is a task of its own rather than scattered data, so that the scheduler can make
        it again when the worker that held it dies.
        """
        try:
            from distributed import Client, as_completed
        except ImportError:
            found, expected = "dask is not installed", "pip install 'socband[cluster]'"
            raise InputError(Problem("--dask", found, expected)) from None
        try:
            client = Client(self.address, timeout="20s", set_as_default=False)
        except (OSError, ValueError) as error:
            expected = "the address of a running Dask scheduler"
            problem = Problem("--dask", f"{shown(str(self.address))}: {error}", expected)
            raise InputError(problem) from None
        with client:
            shared = client.submit(_unpacked, pickle.dumps(context), pure=False)
            waiting = iter(items)
            window = AHEAD * max(1, len(client.scheduler_info(n_workers=-1)["workers"]))

            def hand_out(item: Any) -> Any:
                future = client.submit(work, shared, item, pure=False, retries=TRIES)
                in_hand[future.key] = item
                return future

            in_hand: dict[str, Any] = {}
            first = [hand_out(item) for item in itertools.islice(waiting, window)]
            running = as_completed(first, loop=client.loop)
            for future in running:
                item = in_hand.pop(future.key)
                if future.status == "error" and type(future.exception()).__name__ == "KilledWorker":
                    yield item, WorkerLost(str(future.exception()))
                else:
                    yield item, future.result()
                future.release()
                for following in itertools.islice(waiting, 1):
                    running.add(hand_out(following))


def executor_from(workers: int | None = None, dask: str | None = None) -> Executor:
    """The executor that the flags ask for.

    Raises:
        InputError: both asked for, or a number of workers below 1.
    """
    if dask is not None and workers is not None:
        raise InputError(Problem("--workers, --dask", "both", "one of them"))
    if dask is not None:
        return Dask(dask)
    if workers is not None and workers < 1:
        raise InputError(Problem("--workers", str(workers), "1 or more"))
    return Serial() if workers in (None, 1) else Pool(workers)
