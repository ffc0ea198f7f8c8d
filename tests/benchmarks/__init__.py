"""Accuracy and speed as tables, by ``python -m tests.benchmarks``; nothing here passes or fails."""
