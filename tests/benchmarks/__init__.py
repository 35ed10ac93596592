"""Measurements of speed and memory. Run with `python -m tests.benchmarks`; nothing is asserted."""
