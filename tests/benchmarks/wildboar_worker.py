"""Answers the search benchmark with wildboar, in a Python that has it: questions on stdin.

Run by ``python -m tests.benchmarks search --wildboar-python PATH``; PATH is a Python with
``pip install wildboar "scikit-learn<1.6" "numpy<2"``.
"""

import json
import sys
import time

import numpy as np
from wildboar.distance import argmin_distance

refs = np.load(sys.argv[1])
for line in sys.stdin:
    asked = json.loads(line)
    query = np.array([asked["query"]])
    share = (asked["radius"] + 1.5) / refs.shape[1]
    began = time.perf_counter()
    ids, distances = argmin_distance(
        query, refs, k=asked["k"], metric="dtw", metric_params={"r": share}, sorted=True,
        return_distance=True, n_jobs=1,
    )  # fmt: skip
    seconds = time.perf_counter() - began
    answer = {"seconds": seconds, "ids": ids[0].tolist(), "distances": distances[0].tolist()}
    print(json.dumps(answer), flush=True)
