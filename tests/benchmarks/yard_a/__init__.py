"""An invented workshop's captures: a blind benchmark of good, faulty and unfit recordings.

Run ``python -m tests.benchmarks.yard_a OUT_DIR`` from the top of the repository. The models
describe cars and cheap instruments; they know nothing of the matcher they are used to judge.
"""
