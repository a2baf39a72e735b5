"""The worker processes that long work shares: started on first need, one pool for a whole run.

Workers are started by a fork server, not forked from this process: a fork copies locks that other
threads (a reader's, the linear algebra's) may hold at that moment, and then hangs.
"""

from __future__ import annotations

import atexit
import multiprocessing
import os
from concurrent.futures import ProcessPoolExecutor
from functools import cache


def workers() -> int:
    """How many processes share the work: the cores this process may use."""
    return max(1, len(os.sched_getaffinity(0)) if hasattr(os, "sched_getaffinity") else 2)


@cache
def pool() -> ProcessPoolExecutor:
    """The shared pool. It ends with this process; what was not begun by then is dropped."""
    methods = multiprocessing.get_all_start_methods()
    context = multiprocessing.get_context("forkserver" if "forkserver" in methods else "spawn")
    if "forkserver" in methods:
        context.set_forkserver_preload(["matching.consult.worker"])
    made = ProcessPoolExecutor(workers(), mp_context=context, initializer=_quiet)
    atexit.register(made.shutdown, wait=False, cancel_futures=True)
    return made


def _quiet() -> None:
    """A worker leaves Ctrl-C to its parent, and the other cores to the other workers."""
    import signal

    from threadpoolctl import threadpool_limits

    signal.signal(signal.SIGINT, signal.SIG_IGN)
    threadpool_limits(1)
