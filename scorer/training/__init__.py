"""Fit the models in ``models/`` on labelled trays."""
