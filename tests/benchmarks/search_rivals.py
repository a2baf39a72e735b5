"""The other sides of the search benchmark, each answering the same question its own way.

Conventions for a Sakoe-Chiba radius of r samples: tslearn ``sakoe_chiba_radius=r``, dtaidistance
``window=r + 1``, wildboar ``r=(r + 1.5) / L``, aeon ``window=(r + 0.5) / L`` and squared.
"""

from __future__ import annotations

import json
import subprocess
import tempfile
import time
from collections.abc import Callable
from functools import partial
from pathlib import Path
from typing import Any

import numpy as np
from numba import njit
from numpy.typing import NDArray

from matching.dtw.pairs import share

Answer = tuple[float, NDArray[np.int64], NDArray[np.float64]]
"""Seconds, ids and distances of the k nearest."""


class Wildboar:
    """wildboar in a Python of its own, because it needs an older scikit-learn.

    It times itself, so that passing the question over costs it nothing.
    """

    def __init__(self, python: str, refs: NDArray[np.float64]) -> None:
        self.folder = tempfile.TemporaryDirectory()
        path = Path(self.folder.name) / "refs.npy"
        np.save(path, refs[:, 0])
        script = Path(__file__).with_name("wildboar_worker.py")
        self.process = subprocess.Popen(
            [python, str(script), str(path)], stdin=subprocess.PIPE, stdout=subprocess.PIPE,
            text=True,
        )  # fmt: skip

    def search(self, query: NDArray[np.float64], k: int, radius: int) -> Answer:
        assert self.process.stdin is not None
        assert self.process.stdout is not None
        question = {"query": query[0].tolist(), "k": k, "radius": radius}
        print(json.dumps(question), file=self.process.stdin, flush=True)
        answer = json.loads(self.process.stdout.readline())
        return answer["seconds"], np.array(answer["ids"]), np.array(answer["distances"])

    def close(self) -> None:
        self.process.communicate()
        self.folder.cleanup()


def exhaustive(refs: NDArray[np.float64], threads: int) -> dict[str, Callable[..., Answer]]:
    """Libraries that compute every distance, by name; those not installed are left out."""
    makers = {"aeon": _aeon, "dtaidistance": _dtaidistance, "tslearn": _tslearn}
    found = {}
    for name, maker in makers.items():
        try:
            found[name] = partial(_nearest, maker(refs, threads))
        except ImportError:
            continue
    return found


def _nearest(
    distances: Callable[..., NDArray[np.float64]], query: NDArray[np.float64], k: int, radius: int
) -> Answer:
    began = time.perf_counter()
    d = distances(query, radius)
    few = np.argpartition(d, k)[: k + 1]
    ids = few[np.lexsort((few, d[few]))][:k]
    return time.perf_counter() - began, ids, d[ids]


def _aeon(refs: NDArray[np.float64], threads: int) -> Callable[..., NDArray[np.float64]]:
    from aeon.distances import dtw_pairwise_distance

    def distances(query: NDArray[np.float64], radius: int) -> NDArray[np.float64]:
        window = (radius + 0.5) / query.shape[1]
        table = dtw_pairwise_distance(query[None], refs, window=window, n_jobs=threads)
        return np.sqrt(table[0])

    return distances


def _dtaidistance(refs: NDArray[np.float64], threads: int) -> Callable[..., NDArray[np.float64]]:
    from dtaidistance import dtw, dtw_ndim
    from threadpoolctl import threadpool_limits

    n, channels, _ = refs.shape
    # One list with the query in front, so that a block of one row is what is asked for.
    turned = [np.ascontiguousarray(x[0] if channels == 1 else x.T) for x in refs]
    ask: Any = partial(dtw.distance_matrix_fast, use_pruning=False)
    if channels > 1:
        ask = partial(dtw_ndim.distance_matrix_fast, ndim=channels)  # it has no pruning at all

    def distances(query: NDArray[np.float64], radius: int) -> NDArray[np.float64]:
        first = np.ascontiguousarray(query[0] if channels == 1 else query.T)
        options = {"window": radius + 1, "parallel": threads > 1, "compact": True}
        with threadpool_limits(threads, "openmp"):
            return np.asarray(ask([first, *turned], block=((0, 1), (1, n + 1)), **options))

    return distances


def _tslearn(refs: NDArray[np.float64], threads: int) -> Callable[..., NDArray[np.float64]]:
    from tslearn.metrics import cdist_dtw

    turned = np.ascontiguousarray(refs.transpose(0, 2, 1))

    def distances(query: NDArray[np.float64], radius: int) -> NDArray[np.float64]:
        table = cdist_dtw(
            query.T[None], turned, global_constraint="sakoe_chiba", sakoe_chiba_radius=radius,
            n_jobs=threads,
        )  # fmt: skip
        return table[0]

    return distances


@njit(nogil=True, cache=True, fastmath=True)
def _sum(x):
    total = np.float32(0.0)
    for i in range(x.shape[0]):
        total += x[i]
    return total


def touch(data: NDArray[np.float32]) -> float:
    """Seconds two threads take to add up all the data once: the floor for reading it."""
    flat = data.reshape(-1)
    halves = np.array_split(flat, 2)
    began = time.perf_counter()
    share([partial(_sum, half) for half in halves])
    return time.perf_counter() - began
