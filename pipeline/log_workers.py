"""Batches of logs worked out by several processes, in the order in which they were asked for.

Takes batches of planned logs and a `Workshop`, gives each batch with its rows, the same
rows whatever the number of processes. Workers read log files and nothing else: the one
writer of the store is the process that asks. Does not belong here: what a batch's work is
(`log_batches.work_out`), storing its rows (`ingest`).

A worker that ends on its way (killed, out of memory, a fault in a library) costs only its
batch, which is tried again in halves by a new worker, down to the one log that ends every
worker that reads it: that log is refused, and tried again by the next run. Interrupts of
the terminal are kept from the workers; they end with the process that began them, however
that ends, because their pipe to it closes.
"""

from __future__ import annotations

import multiprocessing
import os
import queue
import signal
import threading
import traceback
from collections import deque
from concurrent.futures import ThreadPoolExecutor
from contextlib import contextmanager, suppress
from dataclasses import dataclass
from io import BytesIO
from typing import TYPE_CHECKING

import polars as pl

from pipeline.log_batches import BatchRows, joined_rows, rows_of_refused, work_out

if TYPE_CHECKING:
    from collections.abc import Callable, Generator, Iterable, Iterator, Sequence
    from multiprocessing.connection import Connection
    from types import TracebackType
    from typing import Self

    from pipeline.ingest_plan import PlannedLog
    from pipeline.log_batches import Workshop

    Batch = Sequence[PlannedLog]

# a worker takes about a second to begin, in which it could have read some 200 usual logs
_LEAST_BYTES_PER_WORKER = 16_000_000
# the processes share out the cores, so that none needs threads of its own
_THREAD_SETTINGS = ("POLARS_MAX_THREADS", "OPENBLAS_NUM_THREADS", "OMP_NUM_THREADS")
_PATIENCE_S = 5.0
_OUT_OF_MEMORY = 71
_BEGUN = "begun"
WORKER_ENDED = "reading_ended"


class WorkerEndedError(Exception):
    """The process that worked on a batch is gone; the text says how it ended."""


class _NeverBeganError(Exception):
    """Not the batch is at fault: the process did not come as far as asking for one."""


def useful_workers(asked: int, n_bytes: int) -> int:
    """How many processes to work with: as many as asked for, or with 0 one for each core.

    One where there is so little to read that a second would not earn its beginning.
    """
    most = asked or _n_cores()
    return max(1, min(most, n_bytes // _LEAST_BYTES_PER_WORKER))


def _n_cores() -> int:
    return len(os.sched_getaffinity(0)) if hasattr(os, "sched_getaffinity") else os.cpu_count() or 1


def worked_out_in_order(
    planned: Iterable[Batch], work: Callable[[Batch], BatchRows], n_at_once: int
) -> Generator[tuple[Batch, BatchRows]]:
    """Each batch with its rows; later ones are worked out while whoever asks stores this one.

    No more batches than one beyond `n_at_once` are under way or wait to be taken.
    """
    under_way: deque[tuple[Batch, Callable[[], BatchRows]]] = deque()
    pool = ThreadPoolExecutor(n_at_once)
    try:
        for batch in planned:
            under_way.append((batch, pool.submit(work, batch).result))
            if len(under_way) > n_at_once:
                first, result = under_way.popleft()
                yield first, result()
        while under_way:
            first, result = under_way.popleft()
            yield first, result()
    finally:
        pool.shutdown(wait=False, cancel_futures=True)


class LogWorkers:
    """Several processes that work out batches. Use as a context manager, from any threads.

    One worker is the process that asks. `n_ended` counts those that ended on their way.
    """

    def __init__(self, workshop: Workshop, n_workers: int) -> None:
        self._workshop = workshop
        # None stands for a worker that is begun when a batch asks for it
        self._idle: queue.SimpleQueue[_Worker | None] = queue.SimpleQueue()
        for _ in range(n_workers):
            self._idle.put(None)
        self._all: set[_Worker] = set()
        self._lock = threading.Lock()
        self._is_closed = False
        self.n_workers = n_workers
        self.n_ended = 0

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        self.close()

    def close(self) -> None:
        """End all workers, whatever they are at; batches not yet given back are lost."""
        with self._lock:
            self._is_closed = True
            workers, self._all = self._all, set()
        for worker in workers:
            worker.end()

    @property
    def process_ids(self) -> list[int]:
        """The workers' process ids."""
        with self._lock:
            return sorted(worker.process_id for worker in self._all)

    def work_out(self, batch: Batch) -> BatchRows:
        """The rows of a batch, from the next worker that is free.

        Raises
        ------
        WorkerEndedError
            The workers were closed meanwhile.
        """
        if self.n_workers == 1:
            return work_out(batch, self._workshop)
        try:
            return self._ask(batch)
        except _NeverBeganError:
            # a machine that lets no process begin: the work is done here, and only slower
            return work_out(batch, self._workshop)
        except WorkerEndedError as ended:
            if self._is_closed:
                raise
            if len(batch) == 1:
                return self._tried_again(batch, ended)
        middle = len(batch) // 2
        return joined_rows([self.work_out(batch[:middle]), self.work_out(batch[middle:])])

    def _tried_again(self, batch: Batch, ended: WorkerEndedError) -> BatchRows:
        """The one log once more: what ended the first worker may have had nothing to do with it."""
        try:
            return self._ask(batch)
        except WorkerEndedError:
            if self._is_closed:
                raise
            return rows_of_refused(
                batch[0],
                WORKER_ENDED,
                f"twice the process that read this log ended before it was done ({ended}).",
                "If the machine ran out of memory, give it more or set fewer `workers` under "
                "[store]; the next run tries again. If it comes back, please report it.",
            )

    def _ask(self, batch: Batch) -> BatchRows:
        worker = self._idle.get()
        try:
            worker = worker or self._begin()
            return worker.ask(batch)
        except (WorkerEndedError, _NeverBeganError):
            if worker is not None:
                self._let_go(worker)
            worker = None
            raise
        finally:
            self._idle.put(worker)

    def _begin(self) -> _Worker:
        with self._lock:
            if self._is_closed:
                raise WorkerEndedError("all workers were ended")
            try:
                worker = _Worker(self._workshop, self.n_workers)
            except OSError as error:
                raise _NeverBeganError(str(error)) from error
            self._all.add(worker)
        return worker

    def _let_go(self, worker: _Worker) -> None:
        with self._lock:
            self.n_ended += not self._is_closed
            self._all.discard(worker)
        worker.end()


@dataclass(frozen=True)
class _Fault:
    """An error in a worker, on its way to the process that asked."""

    error: Exception
    told: str


class _Worker:
    """One process, seen from the side that asks."""

    def __init__(self, workshop: Workshop, n_workers: int) -> None:
        # a fork of a process with threads may hang, so that each begins afresh
        context = multiprocessing.get_context("spawn")
        self._connection, theirs = context.Pipe()
        self._process = context.Process(target=_serve, args=(theirs, workshop), daemon=True)
        self._has_begun = False
        with theirs, _surroundings(n_workers):
            self._process.start()

    @property
    def process_id(self) -> int:
        return self._process.pid or 0

    def ask(self, batch: Batch) -> BatchRows:
        try:
            self._has_begun = self._has_begun or self._connection.recv() == _BEGUN
            self._connection.send(batch)
            answer = self._connection.recv()
            if isinstance(answer, BatchRows):
                samples = pl.read_ipc_stream(BytesIO(self._connection.recv_bytes()))
                return answer.with_samples(samples)
        except (EOFError, OSError) as gone:
            kind = WorkerEndedError if self._has_begun else _NeverBeganError
            raise kind(self._how_it_ended()) from gone
        answer.error.add_note(f"In the process that read the logs:\n{answer.told}")
        raise answer.error

    def end(self) -> None:
        # killed: it holds nothing that could be left half done
        self._process.kill()
        self._process.join(_PATIENCE_S)
        self._connection.close()

    def _how_it_ended(self) -> str:
        self._process.join(_PATIENCE_S)
        code = self._process.exitcode
        if code == _OUT_OF_MEMORY:
            return "it ran out of memory"
        return f"signal {-code}" if code is not None and code < 0 else f"exit code {code}"


@contextmanager
def _surroundings(n_workers: int) -> Iterator[None]:
    """What a process begun within takes over: threads for its share of the cores, no interrupts."""
    n_threads = max(1, _n_cores() // n_workers)
    before = {name: os.environ.get(name) for name in _THREAD_SETTINGS}
    os.environ.update(dict.fromkeys(_THREAD_SETTINGS, str(n_threads)))
    has_mask = hasattr(signal, "pthread_sigmask")
    if has_mask:
        from multiprocessing import resource_tracker  # noqa: PLC0415 - there is none on Windows

        # begun with the first process it would let interrupts through again before that one
        resource_tracker.ensure_running()
    blocked = signal.pthread_sigmask(signal.SIG_BLOCK, [signal.SIGINT]) if has_mask else ()
    try:
        yield
    finally:
        if has_mask:
            signal.pthread_sigmask(signal.SIG_SETMASK, blocked)
        for name, value in before.items():
            if value is None:
                os.environ.pop(name, None)
            else:
                os.environ[name] = value


def _serve(connection: Connection, workshop: Workshop) -> None:
    """The life of a worker: a batch in, its rows out, until nobody asks any more."""
    with suppress(EOFError, OSError), connection:
        connection.send(_BEGUN)
        while True:
            _reply(connection, _answer(connection.recv(), workshop))


def _reply(connection: Connection, answer: BatchRows | _Fault) -> None:
    """An answer on its way; its samples, nearly all of it, follow as one stream of columns.

    Pickled, every column would be written by itself and copied once more.
    """
    if isinstance(answer, _Fault):
        connection.send(answer)
        return
    connection.send(answer.without_samples())
    stream = BytesIO()
    answer.tables["samples"].write_ipc_stream(stream)
    connection.send_bytes(stream.getbuffer())


def _answer(batch: Batch, workshop: Workshop) -> BatchRows | _Fault:
    try:
        return work_out(batch, workshop)
    except MemoryError:
        # smaller batches may fit: ends like a worker that the system killed
        os._exit(_OUT_OF_MEMORY)
    except Exception as error:  # noqa: BLE001 - raised again in the process that asked
        return _Fault(error, traceback.format_exc())
