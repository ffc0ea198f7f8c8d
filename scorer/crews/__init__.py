"""Figures per picking crew, each with how far chance alone may have moved it."""
