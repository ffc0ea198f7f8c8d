"""Scores skin marks on trays of sampled mangoes from phone photos."""
