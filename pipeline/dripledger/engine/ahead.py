"""Read a stream of batches one step ahead, so that the engine computes while the store writes."""

from __future__ import annotations

import queue
import threading
from collections.abc import Iterable, Iterator

import pyarrow as pa

#: Batches waiting: enough to keep both sides busy, few enough to stay small.
_DEPTH = 2


def read_ahead(batches: Iterable[pa.RecordBatch], depth: int = _DEPTH) -> Iterator[pa.RecordBatch]:
    """Yield the batches of a stream in their order, while another thread fetches those that follow.

    The connection that the stream comes from must not be used until the stream has ended or been closed.

    Parameters
    ----------
    batches
        The stream.
    depth
        How many fetched batches may wait.

    Yields
    ------
    pa.RecordBatch

    Raises
    ------
    BaseException
        Whatever fetching raised, where the batch would have stood.
    """
    waiting: queue.Queue[pa.RecordBatch | BaseException | None] = queue.Queue(depth)
    stopped = threading.Event()

    def put(item: pa.RecordBatch | BaseException | None) -> bool:
        while not stopped.is_set():
            try:
                waiting.put(item, timeout=0.1)
            except queue.Full:
                continue
            return True
        return False

    def fetch() -> None:
        try:
            for batch in batches:
                if not put(batch):
                    return
        except BaseException as error:  # handed on to the reader, who raises it
            put(error)
        else:
            put(None)

    fetcher = threading.Thread(target=fetch, name="read-ahead", daemon=True)
    fetcher.start()
    try:
        while (item := waiting.get()) is not None:
            if isinstance(item, BaseException):
                raise item
            yield item
    finally:
        stopped.set()
        fetcher.join()
