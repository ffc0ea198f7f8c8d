"""Advice for a crew: what to look at first, judged by its own marks, and the sheet that says so on one page."""
