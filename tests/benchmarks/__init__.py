"""Accuracy and speed as tables, by ``python -m tests.benchmarks``; nothing here is a test that passes or fails."""
