"""A second, independent yard of invented cars: waveform captures for a blind benchmark.

Run ``python -m tests.benchmarks.yard_b OUT_DIR`` from the repository root. Everything here
(workshop, engine families, vehicles, instruments) is invented; the physics follows public trade
facts. Nothing in this package imports the product, so that the benchmark cannot lean on what it
measures.
"""
