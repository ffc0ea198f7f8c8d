"""Fitted models that a shed keeps beside its records: which there are, which is in use, and whether one is better."""
