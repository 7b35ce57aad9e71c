"""Measured speed: ratios within one run, memory, growth. Not installed: python -m benchmarks in the repository."""
